"""A meter behind another: what one counts, the other counts too.

Where the feed-in meter does not answer to a source although it moves, its changes may show in the
meter of another source: then that one sits nearer to the grid, and adding both counts twice.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.likelihood import fit_slope
from busprobe.diagnosis.balance.posterior import Posterior

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


def one_of_twins(evidence: Evidence, posterior: Posterior) -> Posterior:
    """Where two meters show the same, call the second one contained in the first.

    Which of the two stands for their source is no question that readings could answer.
    """
    sources = evidence.sources
    twins = [
        (i, j)
        for i, j in combinations(range(len(sources)), 2)
        if len(sources[i].track.inputs) == len(sources[j].track.inputs)
        and (found := contained_in(sources[j], (sources[i],))) is not None
        and found.same
        and found.slope > 0
    ]
    if not twins:
        return posterior
    out = []
    for c in posterior.combinations:
        states = list(c.states)
        for i, j in twins:
            if not any(states[i].factors) and any(states[j].factors):
                states[i], states[j] = states[j], states[i]
        out.append(replace(c, states=tuple(states)))
    return Posterior(tuple(out))


def contained_in(inner: SourceEvidence, others: tuple[SourceEvidence, ...]) -> Inside | None:
    """The meter that counts what `inner` counts, None where there is none."""
    for other in others:
        x, y = inner.total_change, other.total_change
        fit = fit_slope(x, y)
        if fit is None:
            continue
        slope, error = fit
        if error < WELL and abs(abs(slope) - 1.0) < NEAR:
            rest = y - slope * x
            same = float(np.median(np.abs(rest))) < 0.1 * float(np.median(np.abs(x)) + 1e-9)
            return Inside(other.track.name, slope, error, same)
    return None
