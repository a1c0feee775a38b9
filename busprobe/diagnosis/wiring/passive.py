"""The diagnosis without a known load: what the site does by itself.

Theory of operation
1. The steps of the powers tell which CT is on another phase than its voltage lead, which two share
   a conductor, and which is on the neutral (`passive_events`), but no direction.
2. The current of a conductor pulls down the voltage of that conductor, and lifts the others a
   little, because the neutral moves. So the voltage registers tell which lead belongs to which CT,
   and the way round of the CT.
3. Differences are taken over several seconds, because P, Q and V are refreshed at different
   instants, and a half-caught step would point anywhere.
Names of phases cannot be told: exchanging leads and CTs alike changes nothing.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

import numpy as np

from busprobe.diagnosis.wiring.bank import log_sum_exp
from busprobe.diagnosis.wiring.passive_events import Events, event_fits, events_of
from busprobe.diagnosis.wiring.physics import (
    NEUTRAL,
    NONE,
    OPEN,
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
from busprobe.diagnosis.wiring.samples import Complex, Index, Real, Samples
from busprobe.diagnosis.wiring.types import MeterSystem

# Coarser voltage registers say nothing about a sag.
FINEST_NEEDED_V = 0.2
# The supply is not quite the model: share of the change that may be off.
MODEL_ERROR = 0.15
FREEDOM = 4.0
# Neighbouring events share appliances and drifts, so they count for less than they say.
TEMPER_SAG = 0.7
TEMPER_EVENTS = 0.7
# Wirings whose steps fit so much worse than the best ones need no look at their voltages.
WITHIN = 60.0
# Reading nothing at all from a conductor of a lived-in house.
SILENT_ALIVE = -4.0


@lru_cache(maxsize=16)
def _combinations(net: Network) -> Index:
    """Places of all CTs together [combination, input] that are worth weighing."""
    places = clamps(net.system)
    every = product(range(len(places)), repeat=len(net.inputs))
    return np.array(
        [i for i in every if clamp_kind(net, tuple(places[c] for c in i)) != "odd"], dtype=np.int64
    )


def passive_posterior(
    net: Network,
    leads: tuple[Leads, ...],
    samples: Samples,
    nominal_v: float,
    live: tuple[bool, ...],
    *,
    log_weight: float = 0.0,
) -> Posterior | None:
    """Weigh wirings by what the site does by itself; None where it does too little."""
    events = events_of(samples)
    if events is None:
        return None
    places = clamps(net.system)
    combinations = _combinations(net)
    fit = TEMPER_EVENTS * event_fits(net, leads, places, combinations, events)
    fit = fit + _live_fit(places, combinations, live)[None, :]
    sag = _SagFit(events, samples)
    # Between two wires no conductor pulls down a voltage of its own.
    if sag.usable and net.system is not MeterSystem.THREE_PHASE_THREE_WIRE:
        for row, state in enumerate(leads):
            drops = _Drops(net, state, places, events, nominal_v)
            for column in range(combinations.shape[0]):
                if fit[row, column] < fit.max() - WITHIN:
                    fit[row, column] = -np.inf
                    continue
                fit[row, column] += sag.log_fit(drops.of(combinations[column]))
    whole = np.full((len(leads),) + (len(places),) * len(net.inputs), -np.inf)
    whole[(slice(None), *combinations.T)] = fit
    prior = log_priors(net, leads, places) + log_weight
    return Posterior(
        leads, places, prior, whole, np.zeros(len(leads)), float(log_sum_exp(prior + whole))
    )


def _live_fit(places: tuple[Clamp, ...], combinations: Index, live: tuple[bool, ...]) -> Real:
    """Log-likelihood [combination] of inputs that show current, or none at all."""
    dead = np.array([place.conductor == NONE for place in places])[combinations]
    shows = np.array(live)[None, :]
    each = np.where(dead & shows, -np.inf, np.where(~dead & ~shows, SILENT_ALIVE, 0.0))
    return np.asarray(each.sum(axis=1))


class _Drops:
    """Voltage changes per ohm that the steps stand for, under one state of the leads."""

    def __init__(
        self,
        net: Network,
        leads: Leads,
        places: tuple[Clamp, ...],
        events: Events,
        nominal_v: float,
    ) -> None:
        self._net, self._places = net, places
        self._shape = events.volts.shape
        self._gain = {
            p: np.array([net.sag_gain(leads, j, p) for j in range(len(net.inputs))])
            for p in net.phases
        }
        # Current of each input against the common frame, at direction +1.
        self._amps: list[Complex | None] = []
        for k, lead in enumerate(leads.positive):
            across = net.input_voltage(leads, k)
            usable = lead != OPEN and abs(across) > 1e-9
            step = events.power[:, k] / across if usable else None
            self._amps.append(None if step is None else step.conjugate() / nominal_v)

    def of(self, combination: Index) -> Real:
        """Changes [event, input] for one place of each CT."""
        seen: dict[str, Complex] = {}
        for k, c in enumerate(combination):
            place, amps = self._places[c], self._amps[k]
            if place.conductor != NONE and amps is not None and place.conductor not in seen:
                seen[place.conductor] = place.direction * amps
        neutral = seen.pop(NEUTRAL, None)
        missing = [p for p in self._net.phases if p not in seen]
        if neutral is not None and len(missing) == 1:
            # What returns in the neutral and was not drawn elsewhere.
            seen[missing[0]] = -neutral - sum(seen.values(), np.zeros_like(neutral))
        out = np.zeros(self._shape)
        for conductor, amps in seen.items():
            own = amps * self._net.voltage(conductor).conjugate()
            out += (own[:, None] * self._gain[conductor][None, :]).real
        return out


class _SagFit:
    """Likelihood of the voltage changes for a shape of the sag, the resistance summed out."""

    def __init__(self, events: Events, samples: Samples) -> None:
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
