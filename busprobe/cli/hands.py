"""Who switches the load: somebody at the console, or a simulated colleague."""

from __future__ import annotations

import sys
import threading

from busprobe.cli import diagnostics
from busprobe.procedures.operator import HandRequest, Operator
from busprobe.session.job import Job
from busprobe.session.ports import Hands, do_by_hands

# A simulated colleague needs a moment to plug in the heater.
_DELAY_NS = 1_000_000_000


def console_is_there() -> bool:
    """Whether somebody can read a question and answer it."""
    return sys.stdin.isatty() and sys.stderr.isatty()


class SimulatedOperator:
    """Does at once what is asked, on the simulated site."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands
        self._done = True

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Do it a moment later."""
        diagnostics.progress_done()
        diagnostics.say(f"  {request.words} (done by the simulated site)")
        self._done = do_by_hands(self._hands, request, now_ns + _DELAY_NS)

    def answer(self) -> bool | None:
        """Done, unless it cannot be done on this site."""
        return self._done


class ConsoleOperator:
    """Asks at the console and waits for Enter, while the meter goes on being read."""

    def __init__(self) -> None:
        self._answer: bool | None = None

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Put the question; the answer is awaited on a thread of its own."""
        self._answer = None
        diagnostics.progress_done()
        diagnostics.say(f"  {request.words}  Press Enter as you do it, q and Enter to end.")
        threading.Thread(target=self._wait, name="busprobe-console", daemon=True).start()

    def _wait(self) -> None:
        line = sys.stdin.readline()
        self._answer = bool(line) and line.strip().lower() not in ("q", "quit")

    def answer(self) -> bool | None:
        """What was typed, None while nothing was."""
        return self._answer


def operator_of(job: Job) -> Operator | None:
    """Whoever has hands here: the simulated site, somebody at the console, or nobody."""
    if job.hands is not None:
        return SimulatedOperator(job.hands)
    return ConsoleOperator() if console_is_there() else None
