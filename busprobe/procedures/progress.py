"""How a procedure tells what it is doing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field


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


@dataclass(slots=True)
class Whole:
    """Phases of one work, told as one: what is done never goes back from phase to phase.

    Attributes:
        observe: Told how much of the whole is done, in thousandths, and how long the rest takes.
        expected_s: How long each phase takes at a guess [s]; 0 where it is left out. A phase that
            knows better says so when it begins.
    """

    observe: Observer
    expected_s: list[float]
    _begun: dict[int, int] = field(default_factory=dict)
    _done: float = 0.0

    def phase(self, number: int) -> Observer:
        """The observer of a phase, counted from 0."""
        return lambda progress: self._tell(number, progress)

    def _tell(self, number: int, progress: Progress) -> None:
        left_s = progress.remaining_s
        if left_s is not None and number not in self._begun:
            self.expected_s[number] = left_s
        begun = self._begun.setdefault(number, progress.done)
        # Devices may turn out to be slower than was thought.
        expected_s = self.expected_s[number] = max(self.expected_s[number], left_s or 0.0)
        todo = progress.total - begun
        share = min(1.0, max(0.0, (progress.done - begun) / todo)) if todo > 0 else 0.0
        done_s = sum(self.expected_s[:number]) + share * expected_s
        whole_s = sum(self.expected_s)
        if whole_s:
            self._done = max(self._done, min(1.0, done_s / whole_s))
        if left_s is not None:
            left_s += sum(self.expected_s[number + 1 :])
        self.observe(Progress(int(1000 * self._done), 1000, left_s, progress.text))


def ignore(progress: Progress) -> None:
    """An observer for callers that do not care."""
