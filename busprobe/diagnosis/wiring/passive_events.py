"""What the site does by itself: its steps, and which wiring explains each of them.

Theory of operation
1. A step of the site is, as a rule, one appliance between one phase and the neutral (on three
   wires: between two phases), seldom a symmetrical one, and now and then two things at once.
2. Each of these has one complex power a, so that all inputs move by a known direction times a:
   what an input shows beyond that is left over. Two CTs on one conductor move together, a CT on
   the neutral moves with every phase, a CT on its own phase moves alone.
3. Appliances are mostly resistive or mildly inductive, so the angle of a is small; as somebody may
   feed in, it may point either way, and tells the phase but not the direction.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.wiring.physics import Clamp, Leads, Network
from busprobe.diagnosis.wiring.samples import Complex, Index, Real, Samples
from busprobe.diagnosis.wiring.types import MeterSystem

# Both ends of a difference lie beyond the refresh of every register [s].
APART_S = 4.0
SMALLEST_W = 60.0
MOST_EVENTS = 240
FEWEST_EVENTS = 4
# The same appliance again and again is hardly new evidence on its angle.
REPEATS_COUNT = 2.0
# How often a step is a symmetrical load (three wires are there for motors); how often something
# that is no single load; and how likely that looks like any given wiring. Common practice, no
# source.
SYMMETRICAL, SYMMETRICAL_ON_THREE_WIRES, ELSE = 0.1, 0.5, 0.1
LIKENESS = 0.01
# Gains and angles of two inputs differ by this much (class 1 meter and CTs, generous).
GAIN_SHARE = 0.05
FREEDOM = 4.0
SYMMETRY = "L1L2L3"


@dataclass(frozen=True, slots=True)
class Events:
    """Steps of the site.

    Attributes:
        power: Of each input [event, input], VA.
        volts: Voltage change of each input [event, input], V.
        calm_volts: The same while nothing happened [row, input], V.
        noise: What each input moves by itself [input], VA.
        weight: How much each step counts, by how often its like came.
        has_q: Whether the powers are complex.
    """

    power: Complex
    volts: Real
    calm_volts: Real
    noise: Real
    weight: Real
    has_q: bool


def events_of(samples: Samples) -> Events | None:
    """The largest steps that do not overlap; None where the site does too little."""
    lag = max(samples.lag, math.ceil(APART_S / samples.period_s - 1e-6))
    n = samples.t_s.size
    if n <= 2 * lag:
        return None
    gap = samples.t_s[lag:] - samples.t_s[:-lag]
    power = np.stack([one.power[lag:] - one.power[:-lag] for one in samples.inputs], axis=1)
    volts = np.stack([one.volts[lag:] - one.volts[:-lag] for one in samples.inputs], axis=1)
    fine = gap <= 3.0 * lag * samples.period_s
    fine &= np.isfinite(power).all(axis=1)
    size = np.where(fine[:, None], np.abs(np.where(np.isfinite(power), power, 0.0)), 0.0)
    typical = np.median(size[fine], axis=0) if fine.any() else np.zeros(size.shape[1])
    steps = np.array([one.power_step for one in samples.inputs])
    least = np.maximum(np.maximum(SMALLEST_W, 4.0 * steps), 5.0 * typical)
    worth = (size / least).max(axis=1)
    free = fine.copy()
    chosen: list[int] = []
    for row in np.argsort(worth)[::-1]:
        if worth[row] < 1.0 or len(chosen) >= MOST_EVENTS:
            break
        if free[row]:
            chosen.append(int(row))
            free[max(0, row - lag) : row + lag + 1] = False
    if len(chosen) < FEWEST_EVENTS:
        return None
    calm = fine & (worth < 0.5)
    noise = np.maximum(np.maximum(5.0, steps), 1.5 * typical)
    return Events(
        power[chosen],
        volts[chosen],
        volts[calm],
        noise,
        _weights(power[chosen], (size / least)[chosen]),
        all(one.has_q for one in samples.inputs),
    )


def _weights(power: Complex, worth: Real) -> Real:
    """Weight of each event: what comes again and again counts a few times in all."""
    first = worth.argmax(axis=1)
    z = power[np.arange(first.size), first]
    size, angle = np.abs(z), np.degrees(np.angle(z))
    alike = np.abs(np.log(size[:, None] / size[None, :])) < 0.12
    alike &= np.abs((angle[:, None] - angle[None, :] + 90.0) % 180.0 - 90.0) < 6.0
    alike &= first[:, None] == first[None, :]
    return np.asarray(np.minimum(1.0, REPEATS_COUNT / alike.sum(axis=1)))


@dataclass(frozen=True, slots=True)
class _Angles:
    """How often loads of a kind are resistive, inductive, capacitive: common practice, no source.

    Attributes:
        resistive: Share of angles around 0 degrees.
        inductive: Share between 0 and 50 degrees.
        capacitive: Share between -45 and 0 degrees.
    """

    resistive: float
    inductive: float
    capacitive: float

    def density(self, angle: Real) -> Real:
        """Density of an angle [degree] against no direction at all; half a turn is the same."""
        off = (angle + 90.0) % 180.0 - 90.0
        core = np.exp(-0.5 * (off / 4.0) ** 2) / (4.0 * math.sqrt(2.0 * math.pi))
        inductive = ((off > 0.0) & (off < 50.0)) / 50.0
        capacitive = ((off < 0.0) & (off > -45.0)) / 45.0
        known = self.resistive * core + self.inductive * inductive + self.capacitive * capacitive
        rest = 1.0 - self.resistive - self.inductive - self.capacitive
        return np.asarray(180.0 * (known + rest / 180.0))


APPLIANCE = _Angles(0.45, 0.33, 0.10)
# Motors, with a frequency converter or without; generators of any kind.
MACHINE = _Angles(0.10, 0.70, 0.10)
# Between two phases: heaters, welding sets, control transformers.
BETWEEN_PHASES = _Angles(0.25, 0.50, 0.10)


def event_fits(
    net: Network,
    leads: tuple[Leads, ...],
    clamps: tuple[Clamp, ...],
    combinations: Index,
    events: Events,
) -> Real:
    """Log-likelihood [leads, combination of clamps] of all events.

    Args:
        net: The system.
        leads: States of the voltage leads.
        clamps: Places of one CT.
        combinations: Place of the CT of each input [combination, input].
        events: The steps.
    """
    loads = (*net.phases, SYMMETRY)
    inputs = len(net.inputs)
    answer = np.empty((len(leads), inputs, len(clamps), len(loads)), dtype=complex)
    for row, k, c, j in np.ndindex(*answer.shape):
        answer[row, k, c, j] = net.factor(leads[row], k, clamps[c], loads[j])
    # [leads, combination, load, input]
    shapes = np.stack([answer[:, k, combinations[:, k]] for k in range(inputs)], axis=-1)
    if not events.has_q:
        shapes = shapes.real + 0j
    flat = _turned_alike(shapes.reshape(-1, inputs))
    unique, which = np.unique(np.round(flat, 9), axis=0, return_inverse=True)
    three_wire = net.system is MeterSystem.THREE_PHASE_THREE_WIRE
    fit, angle = _likeness(unique, events)
    single = fit * (BETWEEN_PHASES if three_wire else APPLIANCE).density(angle)
    symmetrical = fit * MACHINE.density(angle)
    numbers: Index = np.asarray(which, dtype=np.int64).reshape(shapes.shape[:3])
    share = SYMMETRICAL_ON_THREE_WIRES if three_wire else SYMMETRICAL
    each = (1.0 - ELSE - share) / len(net.phases)
    out = np.empty(numbers.shape[:2])
    for row in range(len(leads)):
        total = np.full((numbers.shape[1], events.weight.size), ELSE * LIKENESS)
        for j in range(len(net.phases)):
            total += each * single[numbers[row, :, j]]
        total += share * symmetrical[numbers[row, :, -1]]
        out[row] = np.log(total) @ events.weight
    return out


def _turned_alike(shapes: Complex) -> Complex:
    """Shapes that differ by a sign only are one: what draws here may feed in there."""
    first = np.argmax(np.abs(shapes) > 1e-9, axis=1)
    lead = shapes[np.arange(first.size), first]
    turned = (lead.real < -1e-9) | ((np.abs(lead.real) <= 1e-9) & (lead.imag < 0.0))
    return np.asarray(np.where(turned[:, None], -shapes, shapes))


def _likeness(shapes: Complex, events: Events) -> tuple[Real, Real]:
    """How well each event is one load with this shape, and its angle [shape, event], degree.

    1 for perfectly; without reactive power every angle is 0.
    """
    z = events.power if events.has_q else events.power.real + 0j
    size = np.abs(z).max(axis=1)
    sigma = np.hypot(events.noise[None, :], GAIN_SHARE * size[:, None])
    weighted = shapes.conj()[:, None, :] / sigma[None] ** 2
    power = (weighted * shapes[:, None, :]).sum(axis=2).real
    seen = power > 0.0
    amount = (weighted * z[None]).sum(axis=2) / np.where(seen, power, 1.0)
    rest = z[None] - shapes[:, None, :] * amount[:, :, None]
    distance = (np.abs(rest) ** 2 / sigma[None] ** 2).sum(axis=2)
    axes = (2 if events.has_q else 1) * (z.shape[1] - 1)
    fit = (1.0 + distance / FREEDOM) ** (-0.5 * (FREEDOM + axes))
    angle = np.degrees(np.angle(amount)) if events.has_q else np.zeros(fit.shape)
    return np.where(seen, fit, 0.0), angle
