"""What was done on purpose, and what a battery does against it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.likelihood import Real, fit_slope
from busprobe.diagnosis.balance.types import CurtailMark, Role

# A source follows its command within this [s], and a mean over some blocks is taken on both sides.
FOLLOWS_S = 12.0
AROUND_S = 20.0
# A meter that follows shows less than this share while its source is held at a tenth; one that
# shows more than the other does not. In between clouds may have helped.
FOLLOWED_SHARE, NOT_FOLLOWED_SHARE = 0.4, 0.7
# It has to give this before [W].
FREE_W = 100.0
# The feed-in meter answers by this at least [W].
MOVED_W = 200.0
# The grid is held where it is this near to zero for this share of the time, and the sources move
# by so much more over that same time.
HELD_W = 120.0
HELD_SHARE = 0.2
FREE_TO_MOVE = 3.0
FEWEST_BLOCKS = 5
# A loop brings the grid back to zero within some watts, again and again: so near for each block, so
# near on the average of a stretch of some blocks, for so much of the time, while or although a
# source moves by this. A battery that is at its limit lets go meanwhile.
BACK_W, BACK_MEAN_W, BACK_SHARE, BACK_BLOCKS = 30.0, 15.0, 0.1, 2
MOVES_W = 150.0
# Change of the grid per change of a source: none where it is held, all of it where it is not.
ANSWERS = 0.5


@dataclass(frozen=True, slots=True)
class Response:
    """How the feed-in meter answered to one command.

    Attributes:
        mark: The command.
        grid_w: Its change, into the site [W].
    """

    mark: CurtailMark
    grid_w: float


def responses(evidence: Evidence, marks: Sequence[CurtailMark]) -> tuple[Response, ...]:
    """How the feed-in meter answered; commands too near to the ends are left out."""
    site = evidence.site
    total = np.nansum(site.grid.power, axis=0)
    found = []
    for mark in marks:
        before = (site.t_s < mark.t_s) & (site.t_s > mark.t_s - AROUND_S)
        start = mark.t_s + FOLLOWS_S
        after = (site.t_s > start) & (site.t_s < start + AROUND_S)
        if before.any() and after.any():
            change = float(np.median(total[after]) - np.median(total[before]))
            found.append(Response(mark, change))
    return tuple(found)


def followed(evidence: Evidence, number: int, marks: Sequence[CurtailMark]) -> bool | None:
    """Whether a meter followed a source: low whenever it was held back, high when it was free.

    Args:
        evidence: All readings.
        number: Of the meter.
        marks: The commands to one source.

    Returns:
        None where fewer than two rounds, or something between, were seen.
    """
    site = evidence.site
    power = np.abs(evidence.sources[number].total)
    shares = []
    for n, mark in enumerate(marks):
        if not mark.held:
            continue
        until = marks[n + 1].t_s if n + 1 < len(marks) else site.t_s[-1]
        held = (site.t_s > mark.t_s + FOLLOWS_S) & (site.t_s < until)
        free = (site.t_s > mark.t_s - AROUND_S) & (site.t_s < mark.t_s)
        if not held.any() or not free.any():
            continue
        level = float(np.median(power[free]))
        if level < FREE_W:
            return None
        shares.append(float(np.median(power[held])) / level)
    if len(shares) < 2:
        return None
    if max(shares) < FOLLOWED_SHARE:
        return True
    return False if max(shares) > NOT_FOLLOWED_SHARE else None


def followers(evidence: Evidence, marks: Sequence[CurtailMark]) -> frozenset[int]:
    """Numbers of the meters that followed the source they are named after."""
    return frozenset(
        j
        for j, source in enumerate(evidence.sources)
        if followed(evidence, j, [m for m in marks if m.name in (source.track.name, "")])
    )


@dataclass(frozen=True, slots=True)
class Mistaken:
    """A meter that does not measure the source it is named after.

    Attributes:
        other: Name of the meter that followed instead of it, "" where only the grid meter did.
    """

    other: str


def mistaken(evidence: Evidence, number: int, marks: Sequence[CurtailMark]) -> Mistaken | None:
    """Whether a meter did not follow its source, while something else did."""
    own = [m for m in marks if m.name == evidence.sources[number].track.name]
    if followed(evidence, number, own) is not False:
        return None
    for j, source in enumerate(evidence.sources):
        if j != number and followed(evidence, j, own):
            return Mistaken(source.track.name)
    answers = [r.grid_w if r.mark.held else -r.grid_w for r in responses(evidence, own)]
    if len(answers) >= 4 and min(np.abs(answers)) > MOVED_W and len(set(np.sign(answers))) == 1:
        return Mistaken("")
    return None


def grid_is_held(evidence: Evidence) -> bool:
    """Whether something that is not measured holds the grid at zero against moving sources."""
    return not _storage(evidence) and (_held(evidence) or _comes_back(evidence))


def in_loop(evidence: Evidence) -> frozenset[int]:
    """Numbers of the sources that hold the grid at zero themselves; empty where nothing does.

    What such a source gives follows from what the house draws and the others give: a regression
    would find that nothing of it arrives, as the grid never changes.
    """
    storage = _storage(evidence)
    return frozenset(storage[:1]) if storage and _held(evidence) else frozenset()


def _storage(evidence: Evidence) -> list[int]:
    """Sources that may be in a loop, a hybrid inverter before a battery."""
    return [
        j
        for role in (Role.HYBRID, Role.BATTERY)
        for j, source in enumerate(evidence.sources)
        if source.track.known.role is role
    ]


def _held(evidence: Evidence) -> bool:
    """Whether the feed-in meter keeps coming back to zero, whatever the sources do meanwhile."""
    grid = np.nansum(evidence.site.grid.power, axis=0)
    if grid.size < FEWEST_BLOCKS or abs(float(np.median(grid))) > HELD_W:
        return False
    at_rest = np.abs(grid - np.median(grid)) < HELD_W
    if at_rest.mean() < HELD_SHARE:
        return False
    return any(
        float(np.ptp(np.quantile(source.total[at_rest], (0.02, 0.98)))) > FREE_TO_MOVE * HELD_W
        and not _answers(evidence, source)
        for source in evidence.sources
    )


def _comes_back(evidence: Evidence) -> bool:
    """Whether the feed-in meter rests at zero while a source moves, or comes back there after."""
    grid = np.nansum(evidence.site.grid.power, axis=0)
    near = np.abs(grid) < BACK_W
    if grid.size < FEWEST_BLOCKS or near.mean() < BACK_SHARE:
        return False
    edges = np.flatnonzero(np.diff(np.concatenate(([False], near, [False])).astype(int)))
    rests = [
        slice(first, last)
        for first, last in zip(edges[::2], edges[1::2], strict=True)
        if last - first >= BACK_BLOCKS and abs(float(grid[first:last].mean())) < BACK_MEAN_W
    ]
    return any(_moved_meanwhile(source.total, rests) for source in evidence.sources)


def _moved_meanwhile(power: Real, rests: list[slice]) -> bool:
    """Whether a source moved within a rest, or between two."""
    if not rests:
        return False
    levels = [float(np.nanmedian(power[rest])) for rest in rests]
    within = max(float(np.ptp(power[rest])) for rest in rests)
    between = [float(np.ptp(power[a.start : b.stop])) for a, b in pairwise(rests)]
    return max(within, max(levels) - min(levels), *between, 0.0) > MOVES_W


def _answers(evidence: Evidence, source: SourceEvidence) -> bool:
    """Whether the feed-in meter changes with a source, one way or the other."""
    fit = fit_slope(source.total_change, np.nansum(evidence.grid_change, axis=0))
    return fit is not None and abs(fit[0]) > ANSWERS
