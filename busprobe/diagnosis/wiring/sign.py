"""What a positive power means at a meter, by its own energy counters.

The counters name the direction, the power registers only sign it: whichever of the two conventions
makes the integral of the positive powers the rise of one counter, and that of the negative powers
the rise of the other, is the meter's. The counters say nothing about the direction of the CTs: both
follow it alike.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from busprobe.model.reading import PHASES, SignConvention
from busprobe.model.series import Series

# Counters are renewed late, and powers are read now and then: share of all energy that may be
# missing, and time by which a counter may lag [s]. Common practice, no source.
SHARE, LAG_S = 0.2, 3.0

Flow = tuple[float, float]
"""Energy by the positive and by the negative powers [Wh]."""


def counter_sign(series: Series) -> SignConvention:
    """The sign convention that the counters show; unknown where they do not tell.

    Needs `E_import` and `E_export` [Wh] and the active power, total or of each phase [W]. A meter
    may count the sum of the phases, or each phase for itself; both are allowed for.
    """
    imported, exported = _risen(series, "E_import"), _risen(series, "E_export")
    if imported is None or exported is None:
        return SignConvention.UNKNOWN
    fits = {
        sign: any(
            _fits(flow if sign else flow[::-1], imported, exported) for flow in _flows(series)
        )
        for sign in (True, False)
    }
    if fits[True] == fits[False]:
        return SignConvention.UNKNOWN
    return SignConvention.IMPORT_POSITIVE if fits[True] else SignConvention.EXPORT_POSITIVE


def _fits(flow: Flow, imported: tuple[float, float], exported: tuple[float, float]) -> bool:
    """Whether both counters rose by what they should, each within its own step."""
    slack = SHARE * sum(flow)
    return all(
        abs(rise - energy) <= slack + step
        for energy, (rise, step) in zip(flow, (imported, exported), strict=True)
    )


def _risen(series: Series, name: str) -> tuple[float, float] | None:
    """How far a counter rose and its step [Wh]; None where it is missing or fell."""
    seen = [v for v in series.columns.get(name, ()) if v is not None]
    moves = [b - a for a, b in pairwise(seen) if b != a]
    if len(seen) < 2 or any(move < 0 for move in moves):
        return None
    step = series.steps.get(name) or min(moves, default=0.0)
    lag = LAG_S / 3600.0 * max((abs(p) for _, p in _powers(series)), default=0.0)
    return seen[-1] - seen[0], step + lag


def _flows(series: Series) -> Iterator[Flow]:
    """Energy of the sum of the phases, and of each phase for itself."""
    parts = [series.columns[f"P_{p}"] for p in PHASES if f"P_{p}" in series.columns]
    total = series.columns.get("P")
    if total is None and parts:
        total = tuple(
            None if any(v is None for v in row) else sum(v for v in row if v is not None)
            for row in zip(*parts, strict=True)
        )
    if total is not None:
        yield _flow(series.t_s, [total])
    if len(parts) > 1:
        yield _flow(series.t_s, parts)


def _powers(series: Series) -> Iterator[tuple[float, float]]:
    """Time and power of every reading of the total, or of the phases."""
    names = ["P"] if "P" in series.columns else [f"P_{p}" for p in PHASES]
    for name in names:
        for t_s, power in zip(series.t_s, series.columns.get(name, ()), strict=False):
            if power is not None:
                yield t_s, power


def _flow(t_s: Sequence[float], parts: Sequence[Sequence[float | None]]) -> Flow:
    positive = negative = 0.0
    for values in parts:
        seen = [(t, p) for t, p in zip(t_s, values, strict=True) if p is not None]
        for (early, a), (late, b) in pairwise(seen):
            energy = (late - early) / 3600.0 * (a + b) / 2.0
            positive += max(energy, 0.0)
            negative += max(-energy, 0.0)
    return positive, negative
