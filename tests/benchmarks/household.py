"""Synthetic sites for judging the wiring diagnosis: a phasor model of our own, apart from it.

Nothing here is shared with the diagnosis or with the shipped simulators, so that neither can prove
itself. Four samples a second are computed; the meter's registers are refreshed at different
instants within a second and read once per poll. The presets are guesses, not field data.

CT errors follow IEC 61869-2 class 1 (60' at rated current, growing at small ones); the impedance
of the supply lies around IEC 60725 (0.24 + j0.15 / 0.16 + j0.10 ohm, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from busprobe.model.series import Series, SwitchMark

FINE_S = 0.25
PHASES = ("L1", "L2", "L3")
_TURN = {"L1": 1.0 + 0j, "L2": np.exp(-2j * np.pi / 3), "L3": np.exp(2j * np.pi / 3)}

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True)
class Preset:
    """How busy a house is."""

    switch_ons_per_min: float
    flicker_w: float
    cycling_share: float
    motor_starts_per_min: float


PRESETS = {
    "quiet": Preset(0.03, 3.0, 0.05, 0.01),
    "normal": Preset(0.2, 10.0, 0.20, 0.05),
    "busy": Preset(1.0, 30.0, 0.50, 0.20),
}


@dataclass(frozen=True)
class Wiring:
    """The hidden truth: lead, CT conductor, direction and ratio of each input."""

    leads: tuple[str, str, str] = PHASES
    conductors: tuple[str, str, str] = PHASES
    directions: tuple[int, int, int] = (1, 1, 1)
    ratios: tuple[float, float, float] = (1.0, 1.0, 1.0)
    reference: str = "N"


@dataclass(frozen=True)
class Edge:
    """One switching of the known load: announced, and when it really happened."""

    announced_s: float
    real_s: float
    on: bool
    phase: str


@dataclass(frozen=True)
class Meter:
    """What the meter does to the truth."""

    accuracy_class: float = 1.0
    ct_angle_deg: float = 1.0
    noise_w: float = 1.0
    step_w: float = 1.0
    step_v: float = 0.1
    start_a: float = 0.02
    poll_s: float = 1.0
    average_s: float = 0.0
    export_positive: bool = False


@dataclass(frozen=True)
class Site:
    """Everything but the wiring."""

    preset: str = "normal"
    load_w: float = 1000.0
    load_sd: float = 0.05
    pv: str = "random"
    meter: Meter = field(default_factory=Meter)
    rotation: int = 1


def plug_schedule(
    rng: np.random.Generator,
    cycles: int,
    phases: tuple[str, ...] = PHASES,
    *,
    baseline_s: float = 60.0,
    on_s: float = 10.0,
    off_s: float = 10.0,
    move_s: float = 20.0,
) -> tuple[Edge, ...]:
    """A technician with a heater: on/off cycles on one phase, then the plug is moved."""
    t = baseline_s
    edges: list[Edge] = []
    for phase in phases:
        for _ in range(cycles):
            for on, wait in ((True, on_s), (False, off_s)):
                edges.append(Edge(t, t + rng.uniform(0.3, 2.5), on, phase))
                t += wait + rng.uniform(0.0, 4.0)
        t += move_s
    return tuple(edges)


def _pulses(rng: np.random.Generator, t: Real, preset: Preset) -> Complex:
    """Appliances going on and off on one phase [VA]."""
    power = np.zeros(t.size, complex)
    total_min = (t[-1] + 600.0) / 60.0
    kettles = rng.uniform(0.05, 0.15)
    for _ in range(rng.poisson(preset.switch_ons_per_min * total_min)):
        start = rng.uniform(-600.0, t[-1])
        if rng.random() < kettles:
            size, length, angle = rng.uniform(900.0, 2600.0), rng.lognormal(np.log(120), 0.7), 0.0
        else:
            size = min(rng.lognormal(np.log(120.0), 1.0), 3000.0)
            length = rng.lognormal(np.log(90.0), 1.2)
            pick = rng.random()
            angle = 0.0
            if pick > 0.9:
                angle = -rng.uniform(5.0, 40.0)
            elif pick > 0.5:
                angle = rng.uniform(5.0, 45.0)
        first, last = np.searchsorted(t, (start, start + length))
        power[first:last] += size * np.exp(1j * np.radians(angle))
    return power


def _flicker(rng: np.random.Generator, n: int, sd: float, tau_s: float) -> Real:
    """An Ornstein-Uhlenbeck wander."""
    keep = np.exp(-FINE_S / tau_s)
    shocks = rng.normal(0.0, sd * np.sqrt(1 - keep**2), n)
    out = np.empty(n)
    value = rng.normal(0.0, sd)
    for i, shock in enumerate(shocks):
        value = value * keep + shock
        out[i] = value
    return out


def _cycling(rng: np.random.Generator, t: Real) -> Complex:
    """A hob or a thermostat."""
    period, duty = rng.uniform(4.0, 40.0), rng.uniform(0.3, 0.7)
    size = rng.uniform(300.0, 2000.0)
    beat = period * (1 + 0.02 * rng.standard_normal(int(t[-1] / period) + 3))
    starts = np.cumsum(beat) - rng.uniform(0.0, 2 * period)
    which = np.clip(np.searchsorted(starts, t) - 1, 0, beat.size - 1)
    return np.where(t - starts[which] < duty * beat[which], size, 0.0).astype(complex)


def _motors(rng: np.random.Generator, t: Real, preset: Preset) -> Complex:
    """Three-phase motors: power per phase with an inrush."""
    power = np.zeros(t.size, complex)
    for _ in range(rng.poisson(preset.motor_starts_per_min * (t[-1] + 120.0) / 60.0)):
        start, length = rng.uniform(-120.0, t[-1]), rng.lognormal(np.log(60.0), 0.8)
        size = rng.uniform(200.0, 1200.0) * np.exp(1j * np.radians(rng.uniform(25.0, 45.0)))
        first, rush, last = np.searchsorted(
            t, (start, start + rng.uniform(0.3, 0.8), start + length)
        )
        power[first:last] += size
        power[first:rush] += 4.0 * abs(size) * np.exp(1j * np.radians(65.0))
    return power


def _clouds(rng: np.random.Generator, n: int) -> Real:
    """Broken clouds: sun and shade in turn, with edges of some seconds."""
    shape = np.empty(n + 400)
    at, sunny = 0, bool(rng.random() < 0.6)
    while at < shape.size:
        length = max(1, int(rng.exponential(45.0 if sunny else 30.0) / FINE_S))
        shape[at : at + length] = rng.uniform(0.85, 1.0) if sunny else rng.uniform(0.15, 0.5)
        at, sunny = at + length, not sunny
    width = int(rng.uniform(4.0, 15.0) / FINE_S)
    return np.convolve(shape, np.ones(width) / width, mode="same")[200 : 200 + n]


def _sun(rng: np.random.Generator, t: Real, kind: str) -> list[Real]:
    """Generation per phase [W]."""
    if kind == "random":
        kind = str(rng.choice(["none", "3-clear", "3-broken", "1-clear", "1-broken"]))
    if kind == "none":
        return [np.zeros(t.size) for _ in PHASES]
    peak = rng.uniform(1000.0, 9000.0)
    if kind.endswith("clear"):
        shape = 0.8 + 0.02 * _flicker(rng, t.size, 1.0, 200.0)
    else:
        shape = _clouds(rng, t.size) + 0.02 * _flicker(rng, t.size, 1.0, 10.0)
    total = peak * shape
    if kind.startswith("3"):
        return [total / 3.0 for _ in PHASES]
    host = rng.integers(3)
    total = total * min(1.0, 3700.0 / peak)
    return [total if p == host else np.zeros(t.size) for p in range(3)]


def record(
    rng: np.random.Generator,
    site: Site,
    wiring: Wiring,
    edges: tuple[Edge, ...],
    *,
    duration_s: float | None = None,
    marks: bool = True,
    columns: str = "VIPQ",
) -> Series:
    """What the meter of a synthetic site reports.

    Args:
        rng: The chance.
        site: The house, the load and the meter.
        wiring: The hidden truth.
        edges: When the known load is switched.
        duration_s: Length of the record [s]; None ends it 15 s after the last edge.
        marks: Whether the announcements stand in the record.
        columns: Which registers the meter has.
    """
    meter, preset = site.meter, PRESETS[site.preset]
    end = duration_s if duration_s is not None else edges[-1].announced_s + 15.0
    t = np.arange(0.0, end + 2.0, FINE_S)
    n = t.size

    # Powers of the house per phase.
    house: list[Complex] = []
    motors = _motors(rng, t, preset)
    sun = _sun(rng, t, site.pv)
    cyclist = rng.integers(3) if rng.random() < preset.cycling_share else -1
    for p in range(3):
        base = rng.uniform(40.0, 350.0) * np.exp(1j * np.radians(rng.uniform(-10.0, 25.0)))
        power = base + _pulses(rng, t, preset) + motors
        power = power + _flicker(rng, n, preset.flicker_w, 15.0) * np.exp(
            1j * np.radians(rng.uniform(0.0, 20.0))
        )
        if cyclist == p:
            power = power + _cycling(rng, t)
        house.append(power - sun[p])

    # The supply: loop resistance, unbalance, drift common and per phase, neighbours.
    loop = float(np.clip(rng.lognormal(np.log(0.25), 0.6), 0.05, 0.9))
    share, xr = rng.uniform(0.5, 0.65), rng.uniform(0.3, 0.8)
    z_phase, z_neutral = loop * share * (1 + 1j * xr), loop * (1 - share) * (1 + 1j * xr)
    turn = [_TURN[p] if site.rotation > 0 else np.conj(_TURN[p]) for p in PHASES]
    common = _flicker(rng, n, 0.6, 60.0)
    source: list[Complex] = []
    for p in range(3):
        level = 232.0 + rng.normal(0.0, 2.0) + common + _flicker(rng, n, 0.3, 40.0)
        for _ in range(rng.poisson(0.5 * end / 60.0)):
            first, last = np.searchsorted(t, np.sort(rng.uniform(-60.0, end + 60.0, 2)))
            level[first:last] -= rng.uniform(0.1, 1.2)
        source.append(level * turn[p])

    # The known load follows the square of its voltage.
    size = site.load_w * (1 + site.load_sd * rng.standard_normal())
    load = [np.zeros(n) for _ in PHASES]
    for edge in edges:
        where = range(3) if edge.phase == "L1L2L3" else (PHASES.index(edge.phase),)
        for p in where:
            load[p][t >= edge.real_s] = size / len(where) if edge.on else 0.0

    currents: dict[str, Complex] = {}
    for p, name in enumerate(PHASES):
        level = np.abs(source[p]) / 230.0
        currents[name] = np.conj((house[p] + load[p] * level**2) / source[p])
    currents["N"] = -(currents["L1"] + currents["L2"] + currents["L3"])
    terminals = {name: source[p] - z_phase * currents[name] for p, name in enumerate(PHASES)}
    terminals["N"] = -z_neutral * currents["N"]
    live = [terminals[c] for c in wiring.leads if c in terminals]
    terminals["open"] = np.mean(live, axis=0) if wiring.reference == "open" else None

    # The meter.
    period = round(1.0 / FINE_S)
    offsets = rng.integers(0, period, 3)
    refresh = np.arange(period, n, period)
    window = max(1, round(meter.average_s / FINE_S))
    polls = np.arange(1.0, end, meter.poll_s)

    def register(values: Real, offset: int, step: float, noise: Real) -> tuple[float, ...]:
        if window > 1:
            mean = np.cumsum(np.insert(values, 0, 0.0))
            first = np.maximum(np.arange(n) + 1 - window, 0)
            values = (mean[1:] - mean[first]) / (np.arange(n) + 1 - first)
        at = refresh - period + offset
        shown = np.round((values[at] + noise) / step) * step
        index = np.clip(np.searchsorted(refresh * FINE_S, polls, side="right") - 1, 0, None)
        return tuple(float(x) for x in shown[index])

    out: dict[str, tuple[float | None, ...]] = {}
    sign = -1.0 if meter.export_positive else 1.0
    for k, name in enumerate(PHASES):
        voltage: Complex = (
            np.zeros(n, complex)
            if wiring.leads[k] == "open"
            else terminals[wiring.leads[k]] - terminals[wiring.reference]
        )
        place = wiring.conductors[k]
        current = currents[place] if place in currents else np.zeros(n, complex)
        gain = 1 + 0.004 * meter.accuracy_class * rng.standard_normal()
        amps = np.abs(current)
        lag = np.radians(
            meter.ct_angle_deg * rng.standard_normal()
            + abs(rng.normal(0.0, 2.0)) / (1 + amps / 0.5)
        )
        seen = current * wiring.directions[k] * wiring.ratios[k] * gain * np.exp(1j * lag)
        seen = np.where(amps * wiring.ratios[k] < meter.start_a, 0.0, seen)
        power = voltage * np.conj(seen) * sign
        m = refresh.size

        def noise(values: Real, m: int = m) -> Real:
            part = 0.001 * np.abs(values[refresh])
            live = np.abs(values[refresh]) > 0
            return np.asarray(rng.normal(0.0, 1.0, m) * (meter.noise_w + part) * live)

        if "P" in columns:
            out[f"P_{name}"] = register(power.real, offsets[0], meter.step_w, noise(power.real))
        if "Q" in columns:
            out[f"Q_{name}"] = register(power.imag, offsets[1], meter.step_w, noise(power.imag))
        if "V" in columns:
            out[f"V_{name}"] = register(
                np.abs(voltage), offsets[2], meter.step_v, rng.normal(0.0, 0.03, m)
            )
        if "I" in columns:
            out[f"I_{name}"] = register(np.abs(seen), offsets[0], 0.01, rng.normal(0.0, 0.005, m))
    steps = {c: meter.step_v if c[0] == "V" else meter.step_w for c in out if c[0] != "I"}
    return Series(
        t_s=tuple(float(x) for x in polls),
        columns=out,
        marks=tuple(SwitchMark(e.announced_s, e.on, e.phase) for e in edges) if marks else (),
        steps=steps,
    )


def random_wiring(rng: np.random.Generator, *, ratio_faults: bool = False) -> Wiring:
    """One of the 288 wirings (leads, CT places, directions), or one with a gross CT fault."""

    def shuffled() -> tuple[str, str, str]:
        a, b, c = (PHASES[i] for i in rng.permutation(3))
        return a, b, c

    directions = tuple(int(s) for s in rng.choice([-1, 1], 3))
    conductors = list(shuffled())
    pick = rng.random()
    if pick > 0.9:
        conductors[rng.integers(3)] = "none"
    elif pick > 0.8:
        i, j = rng.permutation(3)[:2]
        conductors[i] = conductors[j]
    ratios = [1.0, 1.0, 1.0]
    if ratio_faults and rng.random() < 0.22:
        ratios[rng.integers(3)] = float(rng.choice([0.1, 0.2, 0.5, 2.0, 2.5, 5.0, 10.0]))
    return Wiring(
        shuffled(),
        (conductors[0], conductors[1], conductors[2]),
        (directions[0], directions[1], directions[2]),
        (ratios[0], ratios[1], ratios[2]),
    )
