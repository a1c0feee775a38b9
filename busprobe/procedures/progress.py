"""How a procedure tells what it is doing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Progress:
    """Where a procedure stands.

    Attributes:
        done: Units of work done, of `total`.
        total: Units of work in all, 0 when it cannot be known.
        remaining_s: Expected remaining time [s], None when it cannot be known.
        text: What is being done right now.
    """

    done: int
    total: int
    remaining_s: float | None
    text: str


Observer = Callable[[Progress], None]


@dataclass(slots=True)
class Several:
    """Works of a kind that are done one after the other, such as a test at each address.

    Attributes:
        observe: Told how many are done, and how long the others take if they are alike.
        count: How many there are.
        now: The clock [ns].
    """

    observe: Observer
    count: int
    now: Callable[[], int]
    _done: int = 0
    _begun_ns: int | None = None
    _each_ns: int = 0

    def next(self) -> Observer:
        """The observer of the next of them."""
        now = self.now()
        if self._begun_ns is None:
            self._begun_ns = now
        else:
            self._done += 1
            self._each_ns = (now - self._begun_ns) // self._done
        return lambda progress: self._tell(now, progress)

    def _tell(self, since_ns: int, progress: Progress) -> None:
        left_s = None
        if self._done:
            spent_ns = self.now() - since_ns
            left_ns = self._each_ns * (self.count - self._done) - spent_ns
            left_s = max(0, left_ns) / 1e9
        self.observe(Progress(self._done, self.count, left_s, progress.text))


def ignore(progress: Progress) -> None:
    """An observer for callers that do not care."""
