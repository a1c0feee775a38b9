"""Hands that take part in a step: what they are asked and answer is kept, and given again.

An answer is tied to the number of exchanges that went by since the question. So a replay hears it
at the same place of the conversation, whatever the clock of the computer does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.procedures.operator import HandRequest, Operator
from busprobe.recording.past import RecordedAnswer
from busprobe.session.events import HandworkBegun, OperatorAnswered, OperatorAsked, Step

if TYPE_CHECKING:
    from busprobe.session.workplace import Workplace


@dataclass
class KeptOperator:
    """Somebody with hands; question and answer are told as events.

    Attributes:
        operator: Who is asked.
        job: The job that asks.
    """

    operator: Operator
    job: Workplace

    def __post_init__(self) -> None:
        self._asked_at: int | None = None

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Ask for something to be done; returns at once."""
        self._asked_at = self.job.bus.exchanges
        answerable = self.job.hands is not None
        # Before it is told: an answer may come at once, from another thread.
        self.operator.ask(request, now_ns)
        self.job.emit(OperatorAsked(request.words, request.phase, request.on, answerable))

    def answer(self) -> bool | None:
        """What became of the last request."""
        done = self.operator.answer()
        if done is not None and self._asked_at is not None:
            self.job.emit(OperatorAnswered(done, self.job.bus.exchanges - self._asked_at))
            self._asked_at = None
        return done


class ReplayedOperator:
    """Answers as somebody did when the recording was made.

    Args:
        answers: What they did, in order.
        exchanges: Exchanges on the bus so far.
    """

    def __init__(self, answers: Sequence[RecordedAnswer], exchanges: Callable[[], int]) -> None:
        self._answers = list(answers)
        self._exchanges = exchanges
        self._asked_at = 0
        self._current: RecordedAnswer | None = None

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Look up what became of the next request; there it ended where there is none."""
        self._asked_at = self._exchanges()
        self._current = self._answers.pop(0) if self._answers else RecordedAnswer(False, 0)

    def answer(self) -> bool | None:
        """The recorded answer, once as many exchanges have gone by as then."""
        current = self._current
        if current is None or self._exchanges() - self._asked_at < current.exchanges:
            return None
        return current.done


@dataclass(frozen=True, slots=True)
class Attendance:
    """Who takes part in a step, and how it is timed.

    Attributes:
        operator: Who is asked; None where nobody is.
        timing: Recorded times and counts that replace those of the plan, by name.
    """

    operator: Operator | None
    timing: Mapping[str, float]


def somebody(
    job: Workplace, step: Step, addresses: Sequence[int], operator: Operator | None
) -> bool:
    """Whether there is somebody to ask, now or when the recording was made."""
    past = job.opened.past
    return operator is not None if past is None else past.was_attended(step, addresses)


def attended(
    job: Workplace,
    step: Step,
    addresses: Sequence[int],
    operator: Operator | None,
    timing: Mapping[str, float],
) -> Attendance:
    """Who is asked: somebody of this world, or whoever was there when the recording was made.

    Args:
        job: The job.
        step: The step that begins.
        addresses: The meters that it reads.
        operator: Who is there now.
        timing: Times of the plan by name [s], and its counts.
    """
    past = job.opened.past
    work = None if past is None else past.work(step, addresses)
    if work is not None and not work.attended:
        operator = None
    elif work is not None:
        operator = ReplayedOperator(work.answers, lambda: job.bus.exchanges)
        timing = {name: work.timing.get(name, value) for name, value in timing.items()}
    job.emit(HandworkBegun(step, tuple(addresses), operator is not None, dict(timing)))
    return Attendance(None if operator is None else KeptOperator(operator, job), timing)
