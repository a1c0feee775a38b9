"""What the likelihoods are computed from: changes, levels, angles and voltages of all meters."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from busprobe.diagnosis.balance.likelihood import Real, log_marginal
from busprobe.diagnosis.balance.tracks import Site, Track

# An input lives where its power leaves this at any time [W].
LIVE_W = 25.0
LIVE_SHARE = 0.02
# A power moves where its changes exceed what meters do by themselves [W].
MOVES_W = 40.0
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
        track: Its readings.
        live: Indices of the inputs that carry anything.
        change: Differences of block means [input, change], W.
        error: Their errors by the shift of instants [input, change], W.
        angle_deg: Angle of P + jQ of each input [degree], NaN where it cannot be told.
        named_alike: Index of the grid meter's phase of the same name, for each input.
        lead_fit: Log-likelihood by the voltages of each assignment of inputs to phases of the grid
            meter; empty where the voltages say nothing.
    """

    track: Track
    live: tuple[int, ...]
    change: Real
    error: Real
    angle_deg: Real
    named_alike: tuple[int, ...]
    lead_fit: dict[tuple[int, ...], float]

    @property
    def moves_w(self) -> float:
        """Root of the mean square of the total's changes [W]."""
        total = np.nansum(self.change, axis=0)
        return float(np.sqrt(np.mean(total**2))) if total.size else 0.0

    @property
    def largest_w(self) -> float:
        """Largest change of the total [W]."""
        total = np.abs(np.nansum(self.change, axis=0))
        return float(total.max()) if total.size else 0.0


@dataclass(frozen=True, slots=True)
class Evidence:
    """All of them, beside the feed-in meter's own changes.

    Attributes:
        site: Block means.
        grid_change: Differences of the feed-in meter [phase, change], W.
        grid_error: Their errors [phase, change], W.
        sources: One for each source's meter.
    """

    site: Site
    grid_change: Real
    grid_error: Real
    sources: tuple[SourceEvidence, ...]


def gather(site: Site) -> Evidence:
    """Compute everything that does not depend on a hypothesis."""
    grid_change, grid_error = _changes(site.grid)
    return Evidence(site, grid_change, grid_error, tuple(_source(site, t) for t in site.sources))


def _changes(track: Track) -> tuple[Real, Real]:
    """Differences over two blocks, one block left out between."""
    a, b = track.power[:, :-2:2], track.power[:, 2::2]
    ea, eb = track.shift[:, :-2:2], track.shift[:, 2::2]
    return b - a, np.sqrt(ea**2 + eb**2)


def _source(site: Site, track: Track) -> SourceEvidence:
    change, error = _changes(track)
    most = np.nanmax(np.abs(np.nan_to_num(track.power)), axis=1)
    floor = max(LIVE_W, LIVE_SHARE * float(most.max(initial=0.0)))
    live = tuple(int(k) for k in np.flatnonzero(most > floor))
    names = site.phases
    alike = tuple(
        names.index(i) if i in names else k % len(names) for k, i in enumerate(track.inputs)
    )
    return SourceEvidence(
        track, live, change, error, _angles(track), alike, _lead_fit(site, track, alike, live)
    )


def _angles(track: Track) -> Real:
    """Angle of each input's power over the series, weighted by size."""
    found = np.full(len(track.inputs), np.nan)
    if track.reactive is None:
        return found
    for k in range(len(track.inputs)):
        z = track.power[k] + 1j * track.reactive[k]
        z = z[np.isfinite(z)]
        big = z[np.abs(z) > ANGLE_W]
        if big.size >= 2:
            # The sign is the question elsewhere: the mean of the squares forgets it.
            found[k] = math.degrees(float(np.angle(np.sum(big**2)))) / 2.0
    return found


def _lead_fit(
    site: Site, track: Track, alike: tuple[int, ...], live: tuple[int, ...]
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
    return _over_live(found, alike, live)


def _over_live(
    fits: dict[tuple[int, ...], float], alike: tuple[int, ...], live: tuple[int, ...]
) -> dict[tuple[int, ...], float]:
    """Best fit for what the live inputs are assigned to; the others keep their names."""
    out: dict[tuple[int, ...], float] = {}
    for places, fit in fits.items():
        key = tuple(place if k in live else alike[k] for k, place in enumerate(places))
        out[key] = max(fit, out.get(key, -math.inf))
    top = max(out.values(), default=0.0)
    return {key: fit - top for key, fit in out.items()}


def _step_of(track: Track, phase: str) -> float:
    """The register step of a voltage, from the values themselves."""
    values = {v for v in track.series.columns.get(f"V_{phase}", ()) if v is not None}
    gaps = np.diff(np.array(sorted(values)))
    gaps = gaps[gaps > 1e-6]
    return float(gaps.min()) if gaps.size else 1.0


class PhaseFit:
    """Regression likelihoods of one phase of the feed-in meter, each computed once.

    Args:
        evidence: The changes.
        phase: Index of the phase.
    """

    def __init__(self, evidence: Evidence, phase: int) -> None:
        self._evidence, self._phase = evidence, phase
        self._known: dict[tuple[tuple[int, float], ...], float] = {}

    def of(self, keys: list[tuple[tuple[int, float], ...]]) -> list[float]:
        """Log-likelihoods.

        Args:
            keys: For each combination, for each source the input that feeds this phase (-1 for
                none) and its factor relative to the feed-in meter.
        """
        missing = list(dict.fromkeys(k for k in keys if k not in self._known))
        if missing:
            self._known.update(zip(missing, self._compute(missing), strict=True))
        return [self._known[k] for k in keys]

    def _compute(self, keys: list[tuple[tuple[int, float], ...]]) -> list[float]:
        e, p = self._evidence, self._phase
        rest = np.repeat(e.grid_change[p][None, :], len(keys), axis=0)
        square = np.repeat(e.grid_error[p][None, :] ** 2 + NOISE_W**2, len(keys), axis=0)
        for j, source in enumerate(e.sources):
            place = np.array([key[j][0] for key in keys])
            factor = np.array([key[j][1] for key in keys])[:, None]
            used = place >= 0
            if not used.any():
                continue
            change, error = source.change[place], source.error[place]
            part = np.where(used[:, None] & (factor != 0.0), factor * change, 0.0)
            rest = rest + part
            own = (factor * error) ** 2 + (GAIN_SHARE * part) ** 2 + (factor * NOISE_W) ** 2
            square = square + np.where(used[:, None], own, 0.0)
        return [float(v) for v in log_marginal(rest, np.sqrt(square))]
