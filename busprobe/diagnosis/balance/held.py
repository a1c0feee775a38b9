"""What was done on purpose, and what a battery does against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.balance.evidence import Evidence
from busprobe.diagnosis.balance.types import CurtailMark, Role

# A source follows its command within this [s], and a mean over some blocks is taken on both sides.
FOLLOWS_S = 12.0
AROUND_S = 20.0
# It has to move by this share of what it gave, and by this at least [W].
MOVED_SHARE = 0.25
MOVED_W = 100.0
# The grid is held where it stays this near to one value while the sources move far more.
HELD_W = 120.0
HELD_SHARE = 0.2


@dataclass(frozen=True, slots=True)
class Response:
    """How the meters answered to one command.

    Attributes:
        mark: The command.
        grid_w: Change of the feed-in meter, into the site [W].
        sources_w: Change of each source's meter, into the site as far as its sign is known [W].
    """

    mark: CurtailMark
    grid_w: float
    sources_w: tuple[float, ...]


def responses(evidence: Evidence, marks: Sequence[CurtailMark]) -> tuple[Response, ...]:
    """How the meters answered; commands too near to the ends are left out."""
    site = evidence.site
    found = []
    for mark in marks:
        before = (site.t_s < mark.t_s - site.block_s / 2) & (site.t_s > mark.t_s - AROUND_S)
        start = mark.t_s + FOLLOWS_S
        after = (site.t_s > start) & (site.t_s < start + AROUND_S)
        if not before.any() or not after.any():
            continue

        def change(
            power: np.ndarray, early: np.ndarray = before, late: np.ndarray = after
        ) -> float:
            total = np.nansum(power, axis=0)
            return float(np.median(total[late]) - np.median(total[early]))

        found.append(
            Response(
                mark,
                change(site.grid.power),
                tuple(change(s.track.power) for s in evidence.sources),
            )
        )
    return tuple(found)


def moved(evidence: Evidence, number: int, response: Response) -> bool:
    """Whether a source's meter answered to a command."""
    power = np.nansum(evidence.sources[number].track.power, axis=0)
    most = float(np.nanmax(np.abs(power))) if power.size else 0.0
    return abs(response.sources_w[number]) > max(MOVED_W, MOVED_SHARE * most)


def mistaken_for(evidence: Evidence, number: int, answers: Sequence[Response]) -> str | None:
    """Another meter that answered every time instead of the one whose source was commanded."""
    name = evidence.sources[number].track.name
    own = [r for r in answers if r.mark.name == name]
    if len(own) < 2 or any(moved(evidence, number, r) for r in own):
        return None
    for j, source in enumerate(evidence.sources):
        if j != number and all(moved(evidence, j, r) for r in own):
            return source.track.name
    return None


def grid_is_held(evidence: Evidence) -> bool:
    """Whether something that is not measured holds the grid at zero against moving sources."""
    if any(s.track.known.role in (Role.HYBRID, Role.BATTERY) for s in evidence.sources):
        return False
    grid = np.nansum(evidence.site.grid.power, axis=0)
    sources = np.sum([np.nansum(s.track.power, axis=0) for s in evidence.sources], axis=0)
    if grid.size < 3:
        return False
    low, middle, high = np.quantile(grid, (0.1, 0.5, 0.9))
    source_low, source_high = np.quantile(sources, (0.1, 0.9))
    return bool(
        abs(middle) < HELD_W
        and high - low < max(HELD_W, HELD_SHARE * (source_high - source_low))
        and source_high - source_low > 2.0 * HELD_W
    )
