"""What came of the requests at the limits of understanding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import Enum, auto

from busprobe.diagnosis.duplicate.alone import FEWEST_ROWS, NOT_BY_ADAPTER, others
from busprobe.diagnosis.duplicate.hypotheses import tells
from busprobe.diagnosis.duplicate.margins import PAUSE_AFTER, SURELY_UNDERSTOOD, MarginSearch
from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.questions import Question
from busprobe.diagnosis.duplicate.serials import serial_text
from busprobe.diagnosis.duplicate.words import AtLimit

Seen = Sequence[tuple[Question, Observation]]

# Requests that are spent on having readings to compare with.
_MOST_TO_COMPARE = 4
# An answer of somebody else is asked for again.
_MOST_AGAIN = 3
MOST_MARGINS = 40


class _Purpose(Enum):
    """What a request is for."""

    SEARCH = auto()
    COMPARE = auto()
    """To have readings at a rate that every device understands."""
    PAUSE = auto()
    """To be understood by the one alone that the search leaves out."""


@dataclass
class Limits:
    """The search for the limits, and what was heard there.

    Args:
        search: Chooses the rates.

    Attributes:
        taken: All of it: what was asked, and what was seen.
        inside: What says something, at rates that every device understands.
        outside: The same further off.
        again: How many times more the last rate is asked for.
    """

    search: MarginSearch
    taken: list[tuple[Question, Observation]] = field(default_factory=list)
    inside: list[Observation] = field(default_factory=list)
    outside: list[Observation] = field(default_factory=list)
    again: int = 0
    _purpose: _Purpose = _Purpose.SEARCH
    _offset: float = 0.0
    _offsets: list[float] = field(default_factory=list)

    @property
    def is_over(self) -> bool:
        """Whether no more is to be asked."""
        return len(self.taken) >= MOST_MARGINS

    def next_offset(self, asked: Question, usual: Seen) -> float | None:
        """How far off the next request is sent, as a share of the rate; None at the end.

        Args:
            asked: The request.
            usual: What was asked at the rate of the line. Where the answer is made of readings,
                there have to be some to compare with.
        """
        if self.again:
            return self._offset
        offset = self.search.next_offset()
        if offset is not None:
            few = not asked.fixed and len(self._readings(asked, usual)) < FEWEST_ROWS
            compares = few and self._offsets.count(0.0) < _MOST_TO_COMPARE
            self._purpose = _Purpose.COMPARE if compares else _Purpose.SEARCH
            self._offset = 0.0 if compares else offset
            return self._offset
        if not self.search.fast_limit or self._purpose is _Purpose.PAUSE:
            return None
        self._purpose = _Purpose.PAUSE
        self._offset = self.search.beyond
        return self._offset

    @property
    def pause_after(self) -> int:
        """Bytes of the request that was chosen after which there is to be a pause; 0 for none."""
        return PAUSE_AFTER if self._purpose is _Purpose.PAUSE else 0

    def take(self, question: Question, seen: Observation) -> None:
        """Take what came of the request that was sent so far off."""
        if not self.again and self._purpose is _Purpose.SEARCH:
            self.search.take(seen.kind not in (Kind.SILENT, Kind.BABBLE, Kind.LATE))
        self.taken.append((question, seen))
        self._offsets.append(self._offset)
        if tells(seen.kind):
            (self.outside if abs(self._offset) > SURELY_UNDERSTOOD else self.inside).append(seen)

    def ask_again(self, *, somebody_else: bool, sure: bool) -> None:
        """Ask once more where somebody else was heard, until that is sure."""
        if self.again:
            self.again = 0 if sure else self.again - 1
        elif somebody_else and not sure:
            self.again = _MOST_AGAIN

    @property
    def question(self) -> Question | None:
        """What was asked; always the same."""
        return self.taken[0][0] if self.taken else None

    @property
    def counted_inside(self) -> list[tuple[Question, Observation]]:
        """What counts as if asked at the rate of the line."""
        asked = self.question
        return [(asked, o) for o in self.inside if asked and o.kind in NOT_BY_ADAPTER]

    @property
    def counted_outside(self) -> list[tuple[Question, Observation]]:
        """What counts of the rest."""
        asked = self.question
        return [(asked, o) for o in self.outside if asked and o.kind in NOT_BY_ADAPTER]

    def inside_like(self, usual: Seen) -> list[Observation]:
        """Exchanges with the same request at rates that every device understands."""
        asked = self.question
        if asked is None:
            return []
        return [o for q, o in usual if q.pdu == asked.pdu and tells(o.kind)] + self.inside

    def others(self, usual: Seen) -> int | None:
        """How many answers at the limits hold readings of another device, if any are comparable.

        Args:
            usual: What was asked at the rate of the line.
        """
        asked = self.question
        if asked is None or asked.fixed:
            return None
        return others(self._readings(asked, usual), [c for o in self.outside for c in o.contents])

    def _readings(self, asked: Question, usual: Seen) -> list[bytes]:
        """Readings at rates that every device understands, out of longer answers too."""
        start, count = _registers(asked.pdu)
        found = []
        for pdu, content in _contents((*usual, *((asked, o) for o in self.inside))):
            first, number = _registers(pdu)
            before = start - first
            if pdu[0] == asked.pdu[0] and before >= 0 and before + count <= number:
                part = content[1 + 2 * before :][: 2 * count]
                if len(part) == 2 * count:
                    found.append(bytes((2 * count,)) + part)
        return found

    @property
    def found_alone(self) -> bool:
        """Whether both limits were found, with enough answers there."""
        heard = sum(bool(o.contents) for o in self.outside)
        return self.search.done and not self.search.given_up and heard > 2

    @property
    def told(self) -> list[AtLimit]:
        """Whole answers at rates that not every device understands."""
        return [
            AtLimit(
                seen.number,
                offset,
                serial_text(seen.contents[0][1:]) if question.serial else "",
            )
            for (question, seen), offset in zip(self.taken, self._offsets, strict=True)
            if seen.kind in (Kind.CLEAN, Kind.FLANKED) and abs(offset) > SURELY_UNDERSTOOD
        ]


def _contents(seen: Seen) -> list[tuple[bytes, bytes]]:
    """Requests and what valid answers to them held."""
    return [(q.pdu, content) for q, o in seen for content in o.contents]


def _registers(pdu: bytes) -> tuple[int, int]:
    """The first register that a read asks for, and how many."""
    return int.from_bytes(pdu[1:3], "big"), int.from_bytes(pdu[3:5], "big")
