"""Requests of somebody else, heard while we are talking ourselves.

Commands that do not listen first, and masters that poll seldom: whoever talks into another's
conversation should learn of it as soon as it shows. Only reads are looked at (a device repeats the
request of a write in its answer), and our own requests, coming back late, are left out.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.line_health.signs import is_request
from busprobe.model.exchange import Exchange, Frame
from busprobe.model.finding import Evidence, Finding

_READS = (1, 2, 3, 4)
# One may be a damaged answer that passes for a frame.
_FEWEST = 2
_MOST_SURE = 0.999


@dataclass
class ForeignRequests:
    """Looks at one exchange after the other."""

    _own: set[bytes] = field(default_factory=set)
    _asked: list[int] = field(default_factory=list)
    _exchanges: list[int] = field(default_factory=list)

    def take(self, exchange: Exchange) -> Finding | None:
        """Look at an exchange; a finding as soon as somebody else's requests are certain."""
        self._own.add(exchange.request.raw)
        foreign = [p for p in exchange.pieces if isinstance(p, Frame) and self._is_foreign(p)]
        if not foreign:
            return None
        before = len(self._asked)
        self._asked += [frame.address for frame in foreign]
        self._exchanges.append(exchange.number)
        heard = len(self._asked)
        if heard < _FEWEST or before >= _FEWEST:
            return None
        return finding(
            "foreign-master",
            probability=_MOST_SURE,
            evidence=[Evidence(n, "a read request that is not ours") for n in self._exchanges],
            addresses=", ".join(map(str, sorted(set(self._asked)))),
        )

    def _is_foreign(self, frame: Frame) -> bool:
        return frame.raw not in self._own and frame.pdu[0] in _READS and is_request(frame)
