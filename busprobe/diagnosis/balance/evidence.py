"""What the likelihoods are computed from: changes, levels, angles and voltages of all meters."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.balance.likelihood import Habits, Real
from busprobe.diagnosis.balance.tracks import Site, Track
from busprobe.diagnosis.balance.types import Role

# An input lives where its power leaves this at any time [W].
LIVE_W = 25.0
LIVE_SHARE = 0.02
# A block is quiet where the sources move by less than this within it; it is waited for a quiet one
# for so many blocks.
QUIET_W, QUIET_SHARE = 10.0, 0.005
BESIDE = 4.0
LONGEST_WAIT = 8
# No source moves where all of them change by less than this between two blocks.
STILL_W, STILL_SHARE = 30.0, 0.05
# Gains of two meters of class 1 differ by this (standard deviation, generous).
GAIN_SHARE = 0.015
NOISE_W = 2.0
# Angle evidence needs some power per input [VA].
ANGLE_W = 150.0
# The mapping of leads by the voltage: coarser registers say nothing.
FINEST_NEEDED_V = 0.2
VOLT_FREEDOM = 3.0
VOLT_TEMPER = 0.5
FEWEST_VOLTS = 6


@dataclass(frozen=True, slots=True)
class SourceEvidence:
    """One source's meter.

    Attributes:
        track: Its readings; a dead input of a generator shows the mean of the others here.
        live: Indices of the inputs that carry anything.
        dead: Indices of the inputs of a three-phase generator's meter that show nothing, so that
            either nothing is there or a CT is dead.
        shown_w: Mean of the total as its registers show it [W].
        change: Differences of block means [input, change], W.
        error: Their errors by the shift of instants [input, change], W.
        angle_deg: Angle of P + jQ of each input [degree], NaN where it cannot be told.
        named_alike: Index of the grid meter's phase of the same name, for each input.
        lead_fit: Log-likelihood by the voltages of each assignment of inputs to phases of the grid
            meter; empty where the voltages say nothing.
    """

    track: Track
    live: tuple[int, ...]
    dead: tuple[int, ...]
    shown_w: float
    change: Real
    error: Real
    angle_deg: Real
    named_alike: tuple[int, ...]
    lead_fit: dict[tuple[int, ...], float]

    @property
    def counted(self) -> tuple[int, ...]:
        """Inputs that enter the balance: the live ones, and those that may be dead."""
        return (*self.live, *self.dead)

    @property
    def total(self) -> Real:
        """The total by block, as shown by the live inputs [W]."""
        return np.asarray(np.nansum(self.track.power[list(self.live)], axis=0))

    @property
    def total_change(self) -> Real:
        """Its changes [W]."""
        return np.asarray(np.nansum(self.change[list(self.live)], axis=0))

    @property
    def largest_w(self) -> float:
        """Largest change of the total [W]."""
        total = np.abs(self.total_change)
        return float(total.max()) if total.size else 0.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """All of them, beside the feed-in meter's own changes.

    Attributes:
        site: Block means.
        grid_change: Differences of the feed-in meter [phase, change], W.
        grid_error: Their errors [phase, change], W.
        sources: One for each source's meter.
        habits: What the house does on each phase while no source moves.
    """

    site: Site
    grid_change: Real
    grid_error: Real
    sources: tuple[SourceEvidence, ...]
    habits: tuple[Habits, ...]


def gather(site: Site) -> Evidence:
    """Compute everything that does not depend on a hypothesis."""
    ends = _quiet_blocks(site)
    change, error = _changes(site.grid, ends)
    sources = tuple(_source(site, t, ends) for t in site.sources)
    return Evidence(site, change, error, sources, _habits(site, sources, ends))


def _habits(
    site: Site, sources: tuple[SourceEvidence, ...], ends: NDArray[np.int64]
) -> tuple[Habits, ...]:
    """Changes of the feed-in meter over a block left out, between which no source moved."""
    whole = [np.nan_to_num(np.abs(s.total_change), nan=np.inf) for s in sources]
    most = [float(w[np.isfinite(w)].max(initial=0.0)) for w in whole]
    judged = np.zeros(max(0, ends.size - 1), dtype=bool)
    still = np.ones(max(0, site.t_s.size - 2), dtype=bool)
    for source, change, largest in zip(sources, whole, most, strict=True):
        limit = max(STILL_W, STILL_SHARE * largest)
        judged |= change > limit
        power = source.track.power[list(source.live)]
        moved = np.abs(power[:, 2:] - power[:, :-2]).sum(axis=0)
        moving = source.track.shift[list(source.live)].sum(axis=0)
        still &= (moved <= limit) & (np.maximum(moving[2:], moving[:-2]) <= limit)
    own = site.grid.power[:, 2:] - site.grid.power[:, :-2]
    return tuple(Habits(row[still & np.isfinite(row)], judged) for row in own)


def _quiet_blocks(site: Site) -> NDArray[np.int64]:
    """Blocks between which differences are taken: those in which no source is on the move.

    Two meters never see a ramp at the same instant, so a mean over part of a ramp is worth little;
    the difference from before the ramp to after it is worth all of it.
    """
    moving = np.zeros(site.t_s.size)
    most = 0.0
    generators = [t for t in site.sources if t.known.role is Role.GENERATOR]
    # A battery in a loop never rests.
    for track in generators or site.sources:
        moving = moving + np.nan_to_num(track.shift, nan=np.inf).sum(axis=0)
        most = max(most, float(np.abs(np.nan_to_num(track.power)).sum(axis=0).max(initial=0.0)))
    limit = max(QUIET_W, QUIET_SHARE * most)
    # A meter that lags may still be on the move in the blocks beside a ramp.
    beside = np.maximum(np.concatenate(([0.0], moving[:-1])), np.concatenate((moving[1:], [0.0])))
    restless = np.maximum(moving, np.where(beside > BESIDE * limit, limit + beside / BESIDE, 0.0))
    there = np.isfinite(site.grid.power).all(axis=0) & np.isfinite(moving)
    ends: list[int] = []
    at = 0
    while at < restless.size:
        window = np.arange(at, min(at + LONGEST_WAIT, restless.size))
        window = window[there[window]]
        if window.size:
            quiet = window[restless[window] <= limit]
            chosen = int(quiet[0] if quiet.size else window[np.argmin(restless[window])])
            ends.append(chosen)
            at = chosen + 2
        else:
            at += LONGEST_WAIT
    return np.array(ends, dtype=np.int64)


def _changes(track: Track, ends: NDArray[np.int64]) -> tuple[Real, Real]:
    """Differences from one of these blocks to the next."""
    power, shift = track.power[:, ends], track.shift[:, ends]
    return np.diff(power, axis=1), np.sqrt(shift[:, 1:] ** 2 + shift[:, :-1] ** 2)


def _source(site: Site, track: Track, ends: NDArray[np.int64]) -> SourceEvidence:
    most = np.nanmax(np.abs(np.nan_to_num(track.power)), axis=1)
    floor = max(LIVE_W, LIVE_SHARE * float(most.max(initial=0.0)))
    live = tuple(int(k) for k in np.flatnonzero(most > floor))
    names = site.phases
    alike = tuple(
        names.index(i) if i in names else k % len(names) for k, i in enumerate(track.inputs)
    )
    shown = track.turn * np.nansum(track.power, axis=0)
    angles = _angles(track)
    dead: tuple[int, ...] = ()
    if track.known.role is Role.GENERATOR and len(track.inputs) == 3 and 0 < len(live) < 3:
        dead = tuple(k for k in range(3) if k not in live)
        power, shift = track.power.copy(), track.shift.copy()
        power[list(dead)] = np.abs(power[list(live)]).mean(axis=0)
        shift[list(dead)] = shift[list(live)].mean(axis=0)
        track = replace(track, power=power, shift=shift)
    leads = _lead_fit(site, track, alike, (*live, *dead))
    change, error = _changes(track, ends)
    mean = float(shown[np.isfinite(shown)].mean()) if np.isfinite(shown).any() else 0.0
    return SourceEvidence(track, live, dead, mean, change, error, angles, alike, leads)


def _angles(track: Track) -> Real:
    """Angle of each input's power over the series, weighted by size; without Q its size only."""
    found = np.full(len(track.inputs), np.nan)
    for k in range(len(track.inputs)):
        power = track.power[k]
        if track.reactive is not None:
            z = power + 1j * track.reactive[k]
        elif track.volts is not None and track.amps is not None:
            apparent = np.maximum(track.volts[k] * track.amps[k], np.abs(power))
            z = power + 1j * np.sqrt(apparent**2 - power**2)
        else:
            continue
        z = z[np.isfinite(z)]
        big = z[np.abs(z) > ANGLE_W]
        if big.size >= 2:
            # The sign is the question elsewhere: the mean of the squares forgets it.
            found[k] = math.degrees(float(np.angle(np.sum(big**2)))) / 2.0
    return found


def _lead_fit(
    site: Site, track: Track, alike: tuple[int, ...], counted: tuple[int, ...]
) -> dict[tuple[int, ...], float]:
    """Log-likelihood of each assignment by how the voltages move together."""
    grid = site.grid
    if grid.volts is None or track.volts is None or len(site.phases) < 2:
        return {}
    steps = [t.series.steps.get(f"V_{p}", _step_of(t, p)) for t in (grid, track) for p in t.inputs]
    if max(steps) > FINEST_NEEDED_V:
        return {}
    mine, theirs = np.diff(track.volts, axis=1), np.diff(grid.volts, axis=1)
    keep = np.isfinite(mine).all(axis=0) & np.isfinite(theirs).all(axis=0)
    mine, theirs = mine[:, keep], theirs[:, keep]
    if mine.shape[1] < FEWEST_VOLTS:
        return {}
    # What all leads share tells nothing of which is which.
    if len(track.inputs) == len(site.phases):
        mine = mine - mine.mean(axis=0)
        theirs = theirs - theirs.mean(axis=0)
    found = {}
    for places in permutations(range(len(site.phases)), len(track.inputs)):
        rest = mine - theirs[list(places)]
        scale = max(0.02, 1.4826 * float(np.median(np.abs(rest))))
        fit = -0.5 * (VOLT_FREEDOM + 1) * np.log1p((rest / scale) ** 2 / VOLT_FREEDOM)
        found[places] = VOLT_TEMPER * float((fit - math.log(scale)).sum())
    return _over_counted(found, alike, counted)


def _over_counted(
    fits: dict[tuple[int, ...], float], alike: tuple[int, ...], counted: tuple[int, ...]
) -> dict[tuple[int, ...], float]:
    """Best fit for what the inputs in use are assigned to; the others keep their names."""
    out: dict[tuple[int, ...], float] = {}
    for places, fit in fits.items():
        key = tuple(place if k in counted else alike[k] for k, place in enumerate(places))
        out[key] = max(fit, out.get(key, -math.inf))
    top = max(out.values(), default=0.0)
    return {key: fit - top for key, fit in out.items()}


def _step_of(track: Track, phase: str) -> float:
    """The register step of a voltage, from the values themselves."""
    values = {v for v in track.series.columns.get(f"V_{phase}", ()) if v is not None}
    gaps = np.diff(np.array(sorted(values)))
    gaps = gaps[gaps > 1e-6]
    return float(gaps.min()) if gaps.size else 1.0
