"""Ctrl-C in work that only counts: what was found so far is told, instead of being thrown away."""

from __future__ import annotations

import signal
from types import FrameType, TracebackType

from busprobe.cli import diagnostics


class EarlyStop:
    """Takes the first Ctrl-C as the wish to end and be told; the second ends at once.

    Where signals cannot be taken (not on the main thread), Ctrl-C does what it did.
    """

    def __init__(self) -> None:
        self._asked = False
        self._before: signal.Handlers | int | object = None
        self._taken = False

    @property
    def asked(self) -> bool:
        """Whether somebody wants the work to end."""
        return self._asked

    def __enter__(self) -> EarlyStop:
        try:
            self._before = signal.signal(signal.SIGINT, self._take)
            self._taken = True
        except ValueError:
            self._taken = False
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._give_back()

    def _take(self, number: int, frame: FrameType | None) -> None:
        self._asked = True
        self._give_back()
        diagnostics.progress_done()
        diagnostics.say("Stopping: what was found so far follows. Ctrl-C again ends at once.")

    def _give_back(self) -> None:
        if self._taken:
            self._taken = False
            signal.signal(signal.SIGINT, self._before)  # type: ignore[arg-type]
