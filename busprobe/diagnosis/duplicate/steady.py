"""Damage that repeats itself to the byte, although the answer came at another moment.

Two devices that answer on their own differ by another part of a bit each time, and so does what
their answers make of each other. Where every answer is spoiled, and the same way every time, soon
or late, one device sent it, and something constant spoils it: a bit clock that is off, or another
format. Two of one firmware may answer in step, and spoil their answers the same way every time; but
they do so at the same moment, and what both say alike stays whole.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass, field

from busprobe.diagnosis.duplicate.hypotheses import tells
from busprobe.diagnosis.duplicate.observe import SHORTEST_ANSWER, Observation
from busprobe.model.exchange import Exchange

# So many answers to one request, nearly all alike, at moments that differ by a character.
_FEWEST = 4
_NEARLY_ALL = 0.8


@dataclass
class Steadiness:
    """Damaged answers, and when they came."""

    _heard: dict[bytes, list[tuple[bytes, int]]] = field(default_factory=lambda: defaultdict(list))
    _apart_ns: float = 0.0
    _whole: bool = False

    def take(self, exchange: Exchange, seen: Observation) -> None:
        """Take an exchange."""
        self._whole = self._whole or bool(seen.contents)
        if tells(seen.kind) is None or exchange.turnaround_ns is None or exchange.sent_at:
            # Where a request at another rate ends is seen otherwise by who receives it.
            return
        request = exchange.request
        character_ns = (request.t_end_ns - request.t_start_ns) / max(1, len(request.raw))
        self._apart_ns = max(self._apart_ns, character_ns + exchange.turnaround_uncertainty_ns)
        if len(seen.head) >= SHORTEST_ANSWER:
            self._heard[request.pdu].append((seen.head, exchange.turnaround_ns))

    @property
    def is_steady(self) -> bool:
        """Whether damage of one request is the same nearly always, at moments that differ."""
        for its in () if self._whole else self._heard.values():
            commonest, number = Counter(data for data, _ in its).most_common(1)[0]
            moments = [moment for data, moment in its if data == commonest]
            apart_ns = max(moments) - min(moments)
            if number >= max(_FEWEST, _NEARLY_ALL * len(its)) and (apart_ns > self._apart_ns):
                return True
        return False

    @property
    def told(self) -> str:
        """It in words, or "" where it is no evidence."""
        if not self.is_steady:
            return ""
        return (
            "the same damaged bytes to the same request every time, though the answer came sooner "
            "or later: one device sends them, and something constant spoils them (a bit clock that "
            "is off, another format)"
        )
