"""Synthetic sites with a generator, apart from the diagnosis and from the shipped simulators.

The house, the clouds and the presets are those of `tests.benchmarks.household`; here a feed-in
meter and a generator's meter look at them, each renewing its registers at an instant of its own and
read at its own time. Presets are guesses, not field data.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.balance import CurtailMark, MeterRole, Role
from busprobe.model.series import Series
from tests.benchmarks import household

Real = NDArray[np.float64]
FINE_S = household.FINE_S
PHASES = household.PHASES


@dataclass(frozen=True)
class Generator:
    """What gives, and how its meter shows it.

    Attributes:
        rated_w: All phases together [W].
        phases: Indices of the phases it feeds.
        sky: "clear" or "broken".
        level: Share of the rating under the sun.
        shown: Shown over true power, for each phase.
        outside: Connected on the grid's side of the feed-in meter.
        rounds: Commanded curtailments (to 10 % for 40 s, then free for 40 s).
    """

    rated_w: float = 8000.0
    phases: tuple[int, ...] = (0, 1, 2)
    sky: str = "broken"
    level: float = 0.8
    shown: tuple[float, float, float] = (1.0, 1.0, 1.0)
    outside: bool = False
    rounds: int = 0


@dataclass(frozen=True)
class EnergySite:
    """A site.

    Attributes:
        preset: How busy the house is.
        generators: By name.
        duration_s: Length of the record [s].
        poll_s: Time from one reading of a meter to the next [s].
        start_s: First curtailment [s].
        grid_sign: Sign of the feed-in meter.
        battery: A zero-export battery; "" none, "hidden" unmeasured, "hybrid" read as "hybrid".
        battery_w: What it can give or take at most [W].
        step_w: Register step of the powers [W].
        volts: Whether the meters have voltages.
    """

    preset: str = "normal"
    generators: dict[str, Generator] = field(default_factory=lambda: {"gen": Generator()})
    duration_s: float = 360.0
    poll_s: float = 1.0
    start_s: float = 40.0
    grid_sign: int = 1
    battery: str = ""
    battery_w: float = math.inf
    step_w: float = 1.0
    volts: bool = False


@dataclass(frozen=True)
class Drawn:
    """What the meters showed, and what was commanded."""

    series: dict[str, Series]
    roles: dict[str, MeterRole]
    marks: tuple[CurtailMark, ...]


def _sun(rng: np.random.Generator, t: Real, gen: Generator) -> Real:
    if gen.sky == "clear":
        shape = 1.0 + 0.01 * household._flicker(rng, t.size, 1.0, 200.0)
    else:
        shape = household._clouds(rng, t.size) + 0.02 * household._flicker(rng, t.size, 1.0, 10.0)
    return np.clip(gen.rated_w * gen.level * shape, 0.0, gen.rated_w)


def _limit(
    rng: np.random.Generator, t: Real, name: str, gen: Generator, start_s: float
) -> tuple[Real, list[CurtailMark]]:
    """Share that is allowed, with ramps of some seconds after the command."""
    share = np.ones(t.size)
    marks = []
    at = start_s
    for _ in range(gen.rounds):
        for held in (True, False):
            marks.append(CurtailMark(at, name, held))
            real, ramp = at + rng.uniform(0.5, 3.0), rng.uniform(0.5, 6.0)
            goal = 0.1 if held else 1.0
            before = share[-1]
            share = np.where(
                t > real, before + (goal - before) * np.clip((t - real) / ramp, 0, 1), share
            )
            at += 40.0
    return share, marks


def draw(rng: np.random.Generator, site: EnergySite) -> Drawn:
    """What the meters of a synthetic site show."""
    preset = household.PRESETS[site.preset]
    t = np.arange(0.0, site.duration_s + 3.0, FINE_S)
    house = []
    motors = household._motors(rng, t, preset)
    cyclist = rng.integers(3) if rng.random() < preset.cycling_share else -1
    for p in range(3):
        load = rng.uniform(40.0, 350.0) + household._pulses(rng, t, preset).real + motors.real
        load = load + household._flicker(rng, t.size, preset.flicker_w, 15.0)
        if p == cyclist:
            load = load + household._cycling(rng, t).real
        house.append(np.clip(load, 10.0, None))
    grid = [h.copy() for h in house]
    marks: list[CurtailMark] = []
    shown: dict[str, list[Real]] = {}
    for name, gen in site.generators.items():
        share, commanded = _limit(rng, t, name, gen, site.start_s)
        marks += commanded
        total = np.minimum(_sun(rng, t, gen), gen.rated_w * share)
        readings = [np.zeros(t.size) for _ in PHASES]
        for p in gen.phases:
            readings[p] = total / len(gen.phases) * gen.shown[p]
            if not gen.outside:
                grid[p] = grid[p] - total / len(gen.phases)
        shown[name] = readings
    if site.battery:
        power = _battery(np.sum(grid, axis=0), site.battery_w)
        for p in range(3):
            grid[p] = grid[p] - power / 3.0
        if site.battery == "hybrid":
            shown["hybrid"] = [power / 3.0] * 3
    shown = {"grid": [site.grid_sign * g for g in grid], **shown}
    series = {
        name: _meter(rng, t, power, site, number / max(1, len(shown)))
        for number, (name, power) in enumerate(shown.items())
    }
    roles = {"grid": MeterRole.usual(Role.GRID)}
    for name, gen in site.generators.items():
        roles[name] = MeterRole.usual(Role.GENERATOR, gen.rated_w)
    if "hybrid" in shown:
        roles["hybrid"] = MeterRole.usual(Role.HYBRID)
    return Drawn(series, roles, tuple(sorted(marks, key=lambda m: m.t_s)))


def _battery(net: Real, most_w: float) -> Real:
    """A zero-export loop: first order, time constant 2 s, dead time 1 s, bounded."""
    out = np.empty(net.size)
    value, lag = 0.0, round(1.0 / FINE_S)
    for i in range(net.size):
        error = net[max(0, i - lag)] - out[max(0, i - lag)] if i else net[0]
        value = min(max(value + error * FINE_S / 2.0, -most_w), most_w)
        out[i] = value
    return out


def _meter(
    rng: np.random.Generator, t: Real, power: Sequence[Real], site: EnergySite, offset: float
) -> Series:
    """Class 1 registers, renewed once a second, read in turn."""
    period = round(1.0 / FINE_S)
    phase = int(rng.integers(period))
    refresh = np.arange(phase, t.size, period)
    polls = np.arange(1.2 + offset * site.poll_s, site.duration_s, site.poll_s)
    polls = polls + rng.uniform(0.0, 0.05, polls.size)
    index = np.clip(np.searchsorted(t[refresh], polls, side="right") - 1, 0, None)
    columns: dict[str, tuple[float | None, ...]] = {}
    for p, name in enumerate(PHASES):
        gain = 1.0 + 0.004 * rng.standard_normal()
        true = power[p][refresh] * gain
        noisy = true + rng.normal(0.0, 1.0, true.size) * (1.0 + 0.001 * np.abs(true))
        noisy = np.where(np.abs(true) < 5.0, 0.0, noisy)
        values = np.round(noisy / site.step_w) * site.step_w
        columns[f"P_{name}"] = tuple(float(v) for v in values[index])
    return Series(tuple(float(x) for x in polls), columns)
