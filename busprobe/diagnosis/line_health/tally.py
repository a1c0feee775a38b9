"""Running counts for each address, small however long they run."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from busprobe.diagnosis.line_health.rates import clopper_pearson
from busprobe.model.exchange import Exchange, Outcome

# Turn-arounds are kept in bins that grow by 2 %, from 10 us to 100 s: percentiles are good to 1 %.
_GROWTH = 1.02
_FIRST_MS = 0.01
_BINS = 815
_EDGES = tuple(_FIRST_MS * _GROWTH**n for n in range(_BINS + 1))
_GOOD = (Outcome.ANSWERED, Outcome.EXCEPTION)


@dataclass
class Tally:
    """What came of the requests to one address.

    Attributes:
        address: The address.
        exchanges: Requests.
        answered: Whole answers and nothing else (exceptions are answers).
        damaged: Bytes, but no whole answer.
        silent: No byte.
        late: The answer to an earlier request, or a whole one whose rest came after we had stopped
            waiting for it.
        crowded: A whole answer and bytes beside it.
        misaddressed: Whole frames of others only.
        slowest_ms: Longest turn-around [ms].
    """

    address: int
    exchanges: int = 0
    answered: int = 0
    damaged: int = 0
    silent: int = 0
    late: int = 0
    crowded: int = 0
    misaddressed: int = 0
    slowest_ms: float | None = None
    _bins: dict[int, int] = field(default_factory=dict)

    def take(self, exchange: Exchange) -> None:
        """Count an exchange."""
        self.exchanges += 1
        outcome = exchange.outcome
        self.answered += outcome in _GOOD
        self.damaged += outcome is Outcome.DAMAGED
        self.silent += outcome is Outcome.SILENT
        self.late += outcome is Outcome.LATE
        self.crowded += outcome is Outcome.CROWDED
        self.misaddressed += outcome is Outcome.MISADDRESSED
        if exchange.answer is None:
            return
        took = max(0.0, (exchange.answer.t_start_ns - exchange.request.t_end_ns) / 1e6)
        self.slowest_ms = max(took, self.slowest_ms or 0.0)
        place = bisect_right(_EDGES, took)
        self._bins[place] = self._bins.get(place, 0) + 1

    def put_right(self, counted: Outcome, rightly: Outcome) -> None:
        """Count an exchange otherwise, now that more was heard.

        Args:
            counted: As what it was counted.
            rightly: What it was.
        """
        for outcome, step in ((counted, -1), (rightly, +1)):
            field_name = "answered" if outcome in _GOOD else str(outcome)
            setattr(self, field_name, getattr(self, field_name) + step)

    @property
    def failed(self) -> int:
        """Exchanges that a plain master would have lost: no whole answer, or bytes beside it."""
        return self.exchanges - self.answered

    @property
    def error_rate(self) -> float:
        """Share of failed exchanges."""
        return self.failed / self.exchanges if self.exchanges else 0.0

    @property
    def error_interval(self) -> tuple[float, float]:
        """Exact 95 % interval of the share of failed exchanges."""
        return clopper_pearson(self.failed, self.exchanges)

    def turnaround_ms(self, share: float) -> float | None:
        """Percentile of the turn-around [ms], good to 1 %; None without an answer."""
        total = sum(self._bins.values())
        if not total:
            return None
        wanted = share * (total - 1)
        seen = 0
        for place in sorted(self._bins):
            seen += self._bins[place]
            if seen > wanted:
                low = _EDGES[place - 1] if place else 0.0
                middle = (low + _EDGES[min(place, _BINS)]) / 2
                return min(middle, self.slowest_ms or middle)
        return self.slowest_ms

    def slower_than(self, limit_ms: float) -> float:
        """Share of the answers that a time-out of so long would lose; good to 1 % of the time."""
        total = sum(self._bins.values())
        late = sum(c for place, c in self._bins.items() if _EDGES[max(place - 1, 0)] >= limit_ms)
        return late / total if total else 0.0

    def spread(self, bins: int = 12) -> tuple[tuple[float, float, int], ...]:
        """Turn-arounds as a coarse histogram: from [ms], to [ms], count."""
        if not self._bins:
            return ()
        places = sorted(self._bins)
        first, last = places[0], places[-1]
        step = max(1, -(-(last - first + 1) // bins))
        found = []
        for start in range(first, last + 1, step):
            count = sum(self._bins.get(p, 0) for p in range(start, start + step))
            low = _EDGES[start - 1] if start else 0.0
            found.append((low, _EDGES[min(start + step - 1, _BINS)], count))
        return tuple(found)


def tallies(
    exchanges: Iterable[Exchange], rightly: Mapping[int, Outcome] | None = None
) -> dict[int, Tally]:
    """Count exchanges by address.

    Args:
        exchanges: They.
        rightly: What exchanges were, by number, where more was heard later.
    """
    found: dict[int, Tally] = {}
    for exchange in exchanges:
        address = exchange.request.address
        tally = found.setdefault(address, Tally(address))
        tally.take(exchange)
        if rightly and exchange.number in rightly:
            tally.put_right(exchange.outcome, rightly[exchange.number])
    return dict(sorted(found.items()))
