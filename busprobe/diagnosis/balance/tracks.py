"""Series of several meters on one clock: means over short blocks, and their differences.

The meters are read one after the other and renew their registers when they like, so that no two
readings belong to the same instant. Rules:

1. Each series is laid on a common grid of seconds by linear interpolation, never across a gap.
2. Means over a block of some seconds make the instants alike; what is left of the shift shows as
   the change within a block, and is kept as the error of the mean.
3. Differences are taken between neighbouring blocks with a block left out between, so that no
   reading counts twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.balance.types import MeterRole, Positive
from busprobe.model.reading import PHASES
from busprobe.model.series import Series

Real = NDArray[np.float64]

BLOCK_S = 4.0
# Registers are renewed once a second as a rule, at an instant of the meter's own, and a poll takes
# its time. Common practice, no source.
SHIFT_S = 0.6
SHIFT_OF_POLL = 0.15
LONGEST_GAP_S = 30.0
# A day at one block every four seconds.
MOST_BLOCKS = 21_600
TOTAL = "total"


@dataclass(frozen=True, slots=True)
class Track:
    """One meter.

    Attributes:
        name: Its name.
        known: What is known of it.
        inputs: Names of its inputs.
        series: As it came.
        turn: 1, or -1 where a positive reading is known to mean power out of the site.
        power: Block means of the power, turned into the site as far as known [input, block], W.
        shift: Error of each mean by the shift of instants [input, block], W.
        reactive: The same of Q, None where there is none [input, block], var.
        volts: The same of the voltage, None where there is none [input, block], V.
        amps: The same of the current, None where there is none [input, block], A.
    """

    name: str
    known: MeterRole
    inputs: tuple[str, ...]
    series: Series
    turn: float
    power: Real
    shift: Real
    reactive: Real | None
    volts: Real | None
    amps: Real | None


@dataclass(frozen=True, slots=True)
class Site:
    """All meters on one clock.

    Attributes:
        t_s: Middle of each block [s].
        block_s: Length of a block [s].
        grid: The feed-in meter.
        sources: The others.
        phases: Names of the phases of the feed-in meter that carry anything.
        duration_s: Time from the first reading to the last [s].
    """

    t_s: Real
    block_s: float
    grid: Track
    sources: tuple[Track, ...]
    phases: tuple[str, ...]
    duration_s: float


def power_columns(series: Series) -> tuple[str, ...]:
    """Phases for which a series has powers, or "total" where it has only that; may be empty."""
    found = tuple(p for p in PHASES if _lives(series, f"P_{p}"))
    if found:
        return found
    return (TOTAL,) if _lives(series, "P") else ()


def _lives(series: Series, name: str) -> bool:
    return any(value is not None for value in series.columns.get(name, ()))


def lay(series: Mapping[str, Series], roles: Mapping[str, MeterRole], grid: str) -> Site | None:
    """Put the meters on one clock.

    Args:
        series: Series by name of the meter.
        roles: What is known of each.
        grid: Name of the feed-in meter.

    Returns:
        None where they have no time in common.
    """
    usable = {n: s for n, s in series.items() if n in roles and power_columns(s) and s.t_s}
    if grid not in usable or len(usable) < 2:
        return None
    first = max(s.t_s[0] for s in usable.values())
    last = min(s.t_s[-1] for s in usable.values())
    poll_s = max(_poll_s(s) for s in usable.values())
    block_s = max(BLOCK_S, 2.0 * poll_s)
    count = int((last - first) // block_s)
    if count < 1:
        return None
    if count > MOST_BLOCKS:
        first += (count - MOST_BLOCKS) * block_s
        count = MOST_BLOCKS
    edges: Real = first + block_s * np.arange(count + 1, dtype=np.float64)
    whole = any(power_columns(s) == (TOTAL,) for s in usable.values())
    tracks = {
        name: _track(name, one, roles[name], edges, poll_s, whole) for name, one in usable.items()
    }
    return Site(
        edges[:-1] + block_s / 2.0,
        block_s,
        tracks[grid],
        tuple(t for n, t in tracks.items() if n != grid),
        tracks[grid].inputs,
        last - first,
    )


def _poll_s(series: Series) -> float:
    """Usual time between two readings [s]."""
    name = next(c for c in ("P_L1", "P_L2", "P_L3", "P") if _lives(series, c))
    t = [t for t, v in zip(series.t_s, series.columns[name], strict=True) if v is not None]
    return float(np.median(np.diff(t))) if len(t) > 1 else 1.0


def _track(
    name: str, series: Series, known: MeterRole, edges: Real, poll_s: float, whole: bool
) -> Track:
    inputs = power_columns(series)
    turn = -1.0 if known.positive is Positive.OUT_OF_SITE else 1.0
    if whole:
        power, shift = _total(series, inputs, edges, poll_s)
        return Track(name, known, (TOTAL,), series, turn, turn * power, shift, None, None, None)
    pairs = [_means(series, f"P_{p}", edges, poll_s) for p in inputs]

    def all_of(letter: str) -> Real | None:
        if not all(_lives(series, f"{letter}_{p}") for p in inputs):
            return None
        return np.stack([_means(series, f"{letter}_{p}", edges, poll_s)[0] for p in inputs])

    reactive = all_of("Q")
    return Track(
        name,
        known,
        inputs,
        series,
        turn,
        turn * np.stack([p for p, _ in pairs]),
        np.stack([s for _, s in pairs]),
        None if reactive is None else turn * reactive,
        all_of("V"),
        all_of("I"),
    )


def _total(series: Series, inputs: Sequence[str], edges: Real, poll_s: float) -> tuple[Real, Real]:
    names = ["P"] if _lives(series, "P") else [f"P_{p}" for p in inputs]
    pairs = [_means(series, n, edges, poll_s) for n in names]
    power = np.sum([p for p, _ in pairs], axis=0)
    shift = np.sqrt(np.sum([s**2 for _, s in pairs], axis=0))
    return power[None, :], shift[None, :]


def _means(series: Series, name: str, edges: Real, poll_s: float) -> tuple[Real, Real]:
    """Mean of each block, and its error by the shift of instants; NaN where nothing was read."""
    t_all = np.asarray(series.t_s, float)
    v_all = np.array([np.nan if v is None else v for v in series.columns[name]], float)
    keep = np.isfinite(v_all)
    t, v = t_all[keep], v_all[keep]
    t, where = np.unique(t, return_index=True)
    v = v[where]
    if t.size < 2:
        empty = np.full(edges.size - 1, np.nan)
        return empty, empty
    # The mean over a block of the straight lines between readings, by their running integral.
    area = np.concatenate(([0.0], np.cumsum(0.5 * (v[1:] + v[:-1]) * np.diff(t))))

    def integral(at: Real) -> Real:
        place = np.clip(np.searchsorted(t, at, side="right") - 1, 0, t.size - 2)
        value = v[place] + (v[place + 1] - v[place]) * (at - t[place]) / (t[place + 1] - t[place])
        return np.asarray(area[place] + 0.5 * (v[place] + value) * (at - t[place]))

    width = edges[1] - edges[0]
    mean = np.diff(integral(edges)) / width
    longest = min(LONGEST_GAP_S, max(3.0 * poll_s, width))
    for number in np.flatnonzero(np.diff(t) > longest):
        mean[(edges[1:] > t[number]) & (edges[:-1] < t[number + 1])] = np.nan
    at_edges = np.interp(edges, t, v)
    inside = np.abs(np.diff(at_edges))
    # Where it went up and down again within the block the ends alone do not show it.
    swing = np.abs(mean - 0.5 * (at_edges[1:] + at_edges[:-1]))
    late = SHIFT_S + SHIFT_OF_POLL * poll_s
    return mean, (inside + swing) * late / width
