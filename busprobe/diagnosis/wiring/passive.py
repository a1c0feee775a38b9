"""The diagnosis without a known load: what the site does by itself.

Theory of operation
1. Appliances are mostly resistive or mildly inductive, so a step of P + jQ points along the P axis
   of its own phase. A CT on another phase than its voltage lead turns every step by 60 degrees or
   120; as somebody may feed in, a step may point either way, so this tells the shift and not the
   direction.
2. The current of a conductor pulls down the voltage of that conductor, and lifts the others a
   little, because the neutral moves. So the voltage registers tell which lead belongs to which CT,
   and the way round of the CT.
3. Differences are taken over several seconds, because P, Q and V are refreshed at different
   instants, and a half-caught step would point anywhere.
Names of phases cannot be told: exchanging leads and CTs alike changes nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from busprobe.diagnosis.wiring.bank import log_sum_exp
from busprobe.diagnosis.wiring.physics import (
    NEUTRAL,
    NONE,
    Clamp,
    Leads,
    Network,
    clamps,
)
from busprobe.diagnosis.wiring.posterior import (
    OHMS,
    OHMS_LOG_PRIOR,
    Posterior,
    clamp_kind,
    log_priors,
)
from busprobe.diagnosis.wiring.samples import Complex, Real, Samples

# Both ends of a difference lie beyond the refresh of every register [s].
APART_S = 4.0
SMALLEST_W = 60.0
MOST_EVENTS = 240
FEWEST_EVENTS = 4
# Coarser voltage registers say nothing about a sag.
FINEST_NEEDED_V = 0.2
# The supply is not quite the model: share of the change that may be off.
MODEL_ERROR = 0.15
FREEDOM = 4.0
# Neighbouring events share appliances and drifts, so they count for less than they say.
TEMPER_SAG = 0.7
TEMPER_ANGLE = 0.7
# The same appliance again and again is hardly new evidence on its angle.
REPEATS_COUNT = 2.0
# Reading nothing at all from a conductor of a lived-in house.
SILENT_ALIVE = -4.0


@dataclass(frozen=True, slots=True)
class _Events:
    """Steps of the site: power of each input [event, input] and voltage change [event, input]."""

    power: Complex
    volts: Real
    calm_volts: Real
    least: Real


def _events(samples: Samples) -> _Events | None:
    """The largest steps that do not overlap."""
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
    return _Events(power[chosen], volts[chosen], volts[calm], least)


def _angle_table(events: _Events, directions: int = 12) -> Real:
    """Log-likelihood [input, turn] of the angles of each input's steps, turn in 30 degrees."""
    inputs = events.power.shape[1]
    out = np.zeros((inputs, directions))
    for k in range(inputs):
        z = events.power[:, k]
        z = z[np.abs(z) >= events.least[k]]
        if not z.size:
            continue
        size, angle = np.abs(z), np.degrees(np.angle(z))
        alike = np.abs(np.log(size[:, None] / size[None, :])) < 0.12
        alike &= np.abs((angle[:, None] - angle[None, :] + 90.0) % 180.0 - 90.0) < 6.0
        weight = np.minimum(1.0, REPEATS_COUNT / alike.sum(axis=1))
        for m in range(directions):
            off = (angle - 30.0 * m + 90.0) % 180.0 - 90.0
            out[k, m] = float((weight * _angle_log_density(off)).sum())
    return out


def _angle_log_density(off: Real) -> Real:
    """Log density of the angle of an appliance's step against no direction at all.

    Half of them resistive, most others inductive, a few capacitive: common practice, no source.
    """
    core = np.exp(-0.5 * (off / 4.0) ** 2) / (4.0 * math.sqrt(2.0 * math.pi))
    inductive = ((off > 0.0) & (off < 50.0)) / 50.0
    capacitive = ((off < 0.0) & (off > -45.0)) / 45.0
    density = 0.45 * core + 0.33 * inductive + 0.10 * capacitive + 0.12 / 180.0
    return np.asarray(np.log(180.0 * density))


def _sag_shapes(
    net: Network, leads: Leads, k: int, clamp: Clamp, events: _Events, nominal_v: float
) -> Real:
    """Voltage changes [event, input] per ohm that the steps of one CT stand for."""
    out = np.zeros(events.volts.shape)
    if clamp.conductor == NONE:
        return out
    # The step on the conductor itself, in the frame of its own phase.
    frame = net.input_voltage(leads, k) * net.voltage(clamp.conductor).conjugate()
    if abs(frame) < 1e-9:
        return out
    step = events.power[:, k] * clamp.direction / frame
    amps = step.conjugate() / nominal_v
    for j in range(len(net.inputs)):
        gain = net.sag_gain(leads, j, clamp.conductor)
        out[:, j] = (gain * amps).real
    return out


def passive_posterior(
    net: Network,
    leads: tuple[Leads, ...],
    samples: Samples,
    nominal_v: float,
    live: tuple[bool, ...],
    *,
    log_weight: float = 0.0,
) -> Posterior | None:
    """Weigh wirings by what the site does by itself; None where it does too little.

    CTs on one conductor together, or on the neutral, are not weighed here.
    """
    events = _events(samples)
    if events is None:
        return None
    places = tuple(c for c in clamps(net.system) if c.conductor != NEUTRAL)
    inputs = len(net.inputs)
    shape = (len(places),) * inputs
    fit = np.full((len(leads), len(places) ** inputs), -np.inf)
    angles = _angle_table(events)
    has_q = all(one.has_q for one in samples.inputs)
    sag = _SagFit(events, samples)
    for number, state in enumerate(leads):
        shapes = {
            (k, c): _sag_shapes(net, state, k, clamp, events, nominal_v)
            for k in range(inputs)
            for c, clamp in enumerate(places)
            if sag.usable
        }
        for column, index in enumerate(product(range(len(places)), repeat=inputs)):
            combination = tuple(places[i] for i in index)
            if clamp_kind(net, combination) not in ("permuted", "dead"):
                continue
            total = 0.0
            for k, clamp in enumerate(combination):
                if clamp.conductor == NONE:
                    total += -math.inf if live[k] else 0.0
                    continue
                total += 0.0 if live[k] else SILENT_ALIVE
                if has_q:
                    factor = net.factor(state, k, clamp, clamp.conductor)
                    turn = round(np.angle(factor) / (math.pi / 6.0)) % 12
                    total += TEMPER_ANGLE * float(angles[k, turn]) if factor else 0.0
            if sag.usable:
                total += sag.log_fit(np.sum([shapes[k, c] for k, c in enumerate(index)], axis=0))
            fit[number, column] = total
    fit = fit.reshape(len(leads), *shape)
    prior = log_priors(net, leads, places) + log_weight
    return Posterior(
        leads, places, prior, fit, np.zeros(len(leads)), float(log_sum_exp(prior + fit))
    )


class _SagFit:
    """Likelihood of the voltage changes for a shape of the sag, the resistance summed out."""

    def __init__(self, events: _Events, samples: Samples) -> None:
        steps = [one.volt_step for one in samples.inputs]
        calm = events.calm_volts[np.isfinite(events.calm_volts).all(axis=1)]
        keep = np.isfinite(events.volts).all(axis=1)
        self.usable = max(steps) <= FINEST_NEEDED_V and calm.shape[0] >= 20 and bool(keep.any())
        if not self.usable:
            return
        self._keep = keep
        self._seen = events.volts[keep]
        # Outliers are what the wide tails are for: the covariance is that of the calmer rows.
        width = np.median(np.abs(calm), axis=0) / 0.6745 + 1e-6
        inner = calm[(np.abs(calm) < 4.0 * width).all(axis=1)]
        cov = np.cov(inner, rowvar=False).reshape(calm.shape[1], calm.shape[1])
        cov = cov + np.diag([max(0.03, s) ** 2 / 3.0 for s in steps])
        error = MODEL_ERROR * np.abs(self._seen).max(axis=1)
        full = cov[None] + (error**2)[:, None, None] * np.eye(calm.shape[1])[None]
        self._root = np.linalg.cholesky(np.linalg.inv(full))

    def log_fit(self, shape: Real) -> float:
        """Log-likelihood of a shape [event, input] per ohm."""
        rest = self._seen[None] - OHMS[:, None, None] * shape[self._keep][None]
        white = np.einsum("rej,ejk->rek", rest, self._root)
        distance = (white**2).sum(axis=2)
        dims = shape.shape[1]
        log = -0.5 * (FREEDOM + dims) * np.log1p(distance / FREEDOM)
        return float(log_sum_exp(TEMPER_SAG * log.sum(axis=1) + OHMS_LOG_PRIOR))
