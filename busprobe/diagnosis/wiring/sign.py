"""What a positive power means at a meter, by its own energy counters.

Over a time in which only the import counter moves, the site imports by the meter's own account; the
sign of its power at that time is its sign for import. The counters say nothing about the direction
of the CTs: both follow it alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from busprobe.model.reading import SignConvention
from busprobe.model.series import Series

# One counter must have moved by this much of what the power gave, the other by next to nothing.
ENOUGH, LITTLE = 0.5, 0.1


def counter_sign(series: Series) -> SignConvention:
    """The sign convention that the counters show; unknown where they do not tell.

    Needs `E_import` and `E_export` [Wh] and the active power, total or of each phase [W].
    """
    imported = _risen(series.columns.get("E_import", ()))
    exported = _risen(series.columns.get("E_export", ()))
    energy = _integral(series)
    if imported is None or exported is None or energy == 0.0:
        return SignConvention.UNKNOWN
    moved, still = max(imported, exported), min(imported, exported)
    if moved < ENOUGH * abs(energy) or still > LITTLE * moved:
        return SignConvention.UNKNOWN
    agrees = (energy > 0.0) == (imported > exported)
    return SignConvention.IMPORT_POSITIVE if agrees else SignConvention.EXPORT_POSITIVE


def _risen(values: Sequence[float | None]) -> float | None:
    """How far a counter rose [Wh]; None where it is missing or fell."""
    seen = [v for v in values if v is not None]
    if len(seen) < 2 or any(b < a for a, b in pairwise(seen)):
        return None
    return seen[-1] - seen[0]


def _integral(series: Series) -> float:
    """Energy by the power registers [Wh]."""
    total = series.columns.get("P")
    parts = [total] if total else [series.columns.get(f"P_L{k}", ()) for k in (1, 2, 3)]
    energy = 0.0
    for values in parts:
        rows = zip(series.t_s, series.t_s[1:], values, values[1:], strict=False)
        energy += sum(
            (late - early) / 3600.0 * (a + b) / 2.0
            for early, late, a, b in rows
            if a is not None and b is not None
        )
    return energy
