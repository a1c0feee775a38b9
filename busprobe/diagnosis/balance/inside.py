"""A meter behind another: what one counts, the other counts too.

Where the feed-in meter does not answer to a source although it moves, its changes may show in the
meter of another source: then that one sits nearer to the grid, and adding both counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.balance.evidence import SourceEvidence
from busprobe.diagnosis.balance.likelihood import fit_slope

# The slope of the other meter on this one is 1 (or -1) where it is contained in it; it has to be
# known this well, and to lie this near.
WELL = 0.08
NEAR = 0.2


@dataclass(frozen=True, slots=True)
class Inside:
    """One meter counts what another counts too.

    Attributes:
        outer: Name of the meter nearer to the grid.
        slope: Change of the outer meter per change of the inner one [1].
        error: Its standard error [1].
        same: Whether the two show the same all the time, so that which is which stays open.
    """

    outer: str
    slope: float
    error: float
    same: bool


def contained_in(inner: SourceEvidence, others: tuple[SourceEvidence, ...]) -> Inside | None:
    """The meter that counts what `inner` counts, None where there is none."""
    for other in others:
        x, y = np.nansum(inner.change, axis=0), np.nansum(other.change, axis=0)
        fit = fit_slope(x, y)
        if fit is None:
            continue
        slope, error = fit
        if error < WELL and abs(abs(slope) - 1.0) < NEAR:
            rest = y - slope * x
            same = float(np.median(np.abs(rest))) < 0.1 * float(np.median(np.abs(x)) + 1e-9)
            return Inside(other.track.name, slope, error, same)
    return None
