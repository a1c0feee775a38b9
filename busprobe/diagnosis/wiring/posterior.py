"""From tables of responses to the probability of every wiring.

A hypothesis is a state of the voltage leads and a place and direction of every CT. Given the leads
and the true size of the load, the inputs are independent; so each input has a table [load size,
leads, place of its CT], in which its ratio and its angle error are already summed out, and the
probability of a wiring is a product of table entries, summed over the size of the load.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busprobe.diagnosis.wiring.physics import (
    NEUTRAL,
    NONE,
    OPEN,
    X_OVER_RS,
    Clamp,
    Leads,
    Network,
)
from busprobe.diagnosis.wiring.responses import (
    SIZE_ONE,
    SIZE_STEP,
    SIZES,
    SKEW_SD_DEG,
    SKEWS_DEG,
    InputResponse,
    SagResponse,
)
from busprobe.diagnosis.wiring.samples import Index, Real

# A CT ratio that was set wrong may be anything; 1 is what is expected. Closer to 1 than this it is
# not told from the uncertainty of the load.
NEAREST_RATIO, FARTHEST_RATIO = 0.16, 2.35
RATIO_ONE_PRIOR = 0.92
# Likelihoods count for a little less than they say: the noise is not quite independent from one
# difference to the next.
TEMPER = 0.9

# How common the states of the leads and of the CTs are: common practice, no source. Within a kind
# all states count the same, so that a correct wiring gets no advance over a wrong one.
LEAD_PRIOR = {
    "permuted": 0.92,
    "neutral-swapped": 0.02,
    "lead-open": 0.03,
    "doubled": 0.03,
    "neutral-open": 2e-4,
}
CLAMP_PRIOR = {"permuted": 0.84, "dead": 0.08, "doubled": 0.07, "neutral": 0.01, "odd": 1e-4}

# Reactive power computed as the root of S^2 - P^2 has no sign: seldom (common practice, no source).
UNSIGNED_Q_LOG_PRIOR = math.log(0.004)

# Log-likelihood of current at an input whose CT is dead, and of none at all at a live one.
LIVE_DEAD, SILENT_ALIVE = -14.0, -4.0

OHMS = np.exp(np.linspace(math.log(0.03), math.log(1.5), 14))
OHMS_LOG_PRIOR = -0.5 * ((np.log(OHMS) - math.log(0.25)) / 0.8) ** 2


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything the record says.

    Attributes:
        responses: One per input.
        sags: One per input.
        volts: Mean voltage of each input [V], NaN without the register.
        volts_between: Mean voltage between inputs by pair of input numbers [V].
        live: Whether each CT shows any current at all.
        load_w: Expected size of the load [W].
        tolerance: Relative uncertainty of that.
        nominal_v: Nominal voltage [V].
    """

    responses: tuple[InputResponse, ...]
    sags: tuple[SagResponse, ...]
    volts: tuple[float, ...]
    volts_between: dict[tuple[int, int], float]
    live: tuple[bool, ...]
    load_w: float
    tolerance: float
    nominal_v: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Probabilities of all wirings.

    Attributes:
        leads: The states of the leads.
        clamps: The places of one CT.
        log_prior: [lead, clamp of input 1, ...].
        log_fit: The same shape: steps and voltage levels, without the sag.
        log_sag: [lead].
        log_evidence: Log of the sum over everything.
    """

    leads: tuple[Leads, ...]
    clamps: tuple[Clamp, ...]
    log_prior: Real
    log_fit: Real
    log_sag: Real
    log_evidence: float

    def probabilities(self) -> Real:
        """Posterior [lead, clamp, ...], sums to 1."""
        total = self.log_prior + self.log_fit + _along_leads(self.log_sag, self.log_fit.ndim)
        total = np.exp(total - total.max())
        return np.asarray(total / total.sum())


def _along_leads(x: Real, ndim: int) -> Real:
    return x.reshape((-1,) + (1,) * (ndim - 1))


def log_sum_exp(x: Real, axis: int | tuple[int, ...] | None = None) -> Real:
    """Log of a sum of exponentials."""
    top = np.max(x, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        out = np.log(np.exp(x - top).sum(axis=axis, keepdims=True)) + top
    return np.asarray(np.squeeze(out, axis=axis))


def load_grid(tolerance: float) -> tuple[Index, Real]:
    """Sizes of the load in grid steps from its name plate, and their log prior."""
    spread = max(tolerance / 2.0, 0.015)
    reach = min(math.ceil(5.0 * spread / SIZE_STEP), 24)
    steps = np.arange(-reach, reach + 1)
    off = steps * SIZE_STEP / spread
    prior = 0.95 * np.exp(-0.5 * off**2) + 0.05 * np.exp(-0.5 * (off / 2.0) ** 2) / 2.0
    return np.asarray(steps), np.log(prior / prior.sum())


@lru_cache(maxsize=1)
def ratio_steps() -> tuple[tuple[int, float], ...]:
    """Each ratio in grid steps, and its prior; the first one is 1."""
    reach = round(FARTHEST_RATIO / SIZE_STEP)
    others = [s for s in range(-reach, reach + 1, 2) if abs(s) * SIZE_STEP >= NEAREST_RATIO]
    prior = (1.0 - RATIO_ONE_PRIOR) / len(others)
    return ((0, RATIO_ONE_PRIOR), *((s, prior) for s in others))


class ResponseTables:
    """Per input: log-likelihood of its responses at every size of the load and every ratio.

    Args:
        net: The system.
        evidence: What was seen.
        loads: The load that each test is taken to have switched.
        base: Factor of a right wiring's response to the load.
        signed_q: Whether the reactive power has a sign.
    """

    def __init__(
        self,
        net: Network,
        evidence: Evidence,
        loads: tuple[str, ...],
        base: float,
        *,
        signed_q: bool = True,
    ) -> None:
        self.signed_q = signed_q
        self._net, self._evidence, self._loads, self._base = net, evidence, loads, base
        self._steps, self._load_prior = load_grid(evidence.tolerance)
        self._cache: dict[tuple[object, ...], Real] = {}
        skew = np.exp(-0.5 * (SKEWS_DEG / SKEW_SD_DEG) ** 2)
        self._skew_prior = np.log(skew / skew.sum())

    @property
    def load_prior(self) -> Real:
        """Log prior of the sizes of the load."""
        return self._load_prior

    def by_ratio(self, leads: Leads, k: int, clamp: Clamp) -> Real:
        """Log-likelihood [size of the load, ratio] of input k, at angle errors summed out."""
        places = self._places(leads, k, clamp)
        key = (k, places)
        if key not in self._cache:
            self._cache[key] = self._fill(k, places)
        return self._cache[key]

    def _places(self, leads: Leads, k: int, clamp: Clamp) -> tuple[tuple[int, int, int], ...]:
        """(test, direction, shift in size) of every test that this input answers."""
        if clamp.conductor == NONE:
            return ()
        response = self._evidence.responses[k]
        out = []
        for test, load in enumerate(self._loads):
            if leads.positive[k] == OPEN:
                # Without voltage there is no power; the current register still answers.
                current = abs(self._net.currents(load).get(clamp.conductor, 0j))
                if response.current is not None and current > 1e-9:
                    out.append((test, -1, round(math.log(current / self._base) / SIZE_STEP)))
                continue
            factor = self._net.factor(leads, k, clamp, load)
            if abs(factor) < 1e-9:
                continue
            if not self.signed_q:
                factor = complex(factor.real, abs(factor.imag))
            turn = cmath.phase(factor) / (2.0 * math.pi) * response.directions
            shift = round(math.log(abs(factor) / self._base) / SIZE_STEP)
            out.append((test, round(turn) % response.directions, shift))
        return tuple(out)

    def _fill(self, k: int, places: tuple[tuple[int, int, int], ...]) -> Real:
        response = self._evidence.responses[k]
        sizes = np.zeros((SKEWS_DEG.size, SIZES.size))
        for test, direction, shift in places:
            if direction < 0:
                assert response.current is not None
                part = np.broadcast_to(response.current[test], sizes.shape)
            else:
                part = response.power[test, direction]
            sizes = sizes + part[:, np.clip(np.arange(SIZES.size) + shift, 0, SIZES.size - 1)]
        by_size = log_sum_exp(TEMPER * sizes + self._skew_prior[:, None], axis=0)
        # The gain of meter and CT blurs by about one step of the grid.
        near = np.stack([np.roll(by_size, 1), by_size, np.roll(by_size, -1)])
        by_size = log_sum_exp(near + np.log([[0.25], [0.5], [0.25]]), axis=0)
        ratios = np.array([steps for steps, _ in ratio_steps()])
        where = SIZE_ONE + self._steps[:, None] + ratios[None, :]
        return np.asarray(by_size[np.clip(where, 0, SIZES.size - 1)])

    def joint(self, leads: tuple[Leads, ...], clamps: tuple[Clamp, ...]) -> Real:
        """Log-likelihood [lead, clamp of input 1, ...], load size and ratios summed out."""
        inputs = len(self._net.inputs)
        prior = np.log([p for _, p in ratio_steps()])
        summed: dict[int, Real] = {}

        def over_ratio(table: Real) -> Real:
            if id(table) not in summed:
                summed[id(table)] = log_sum_exp(table + prior, axis=1)
            return summed[id(table)]

        out = np.empty((len(leads),) + (len(clamps),) * inputs)
        for number, state in enumerate(leads):
            total = self._load_prior.reshape((-1,) + (1,) * inputs)
            for k in range(inputs):
                table = np.stack(
                    [over_ratio(self.by_ratio(state, k, clamp)) for clamp in clamps], axis=1
                )
                shape = [table.shape[0]] + [1] * inputs
                shape[k + 1] = len(clamps)
                total = total + table.reshape(shape)
            out[number] = log_sum_exp(total, axis=0)
        return out


def lead_levels(net: Network, leads: Leads, evidence: Evidence) -> float:
    """Log-likelihood of the voltage levels themselves: 230/400/400, or nothing at all."""
    pairs = [(abs(net.input_voltage(leads, k)), v) for k, v in enumerate(evidence.volts)]
    for (a, b), v in evidence.volts_between.items():
        if OPEN not in (leads.positive[a], leads.positive[b]):
            across = net.input_voltage(leads, a) - net.input_voltage(leads, b)
            pairs.append((abs(across), v))
    total = 0.0
    for expected, seen in pairs:
        if math.isnan(seen):
            continue
        relative = seen / evidence.nominal_v
        total += max(-0.5 * ((relative - expected) / 0.06) ** 2, -40.0)
    return total


def lead_sags(
    net: Network, leads: tuple[Leads, ...], evidence: Evidence, loads: tuple[str, ...]
) -> Real:
    """Log-likelihood [lead] of the voltage changes under the known load."""
    out = np.zeros(len(leads))
    if not any(sag.usable for sag in evidence.sags):
        return out
    amps = evidence.load_w / evidence.nominal_v
    seen: dict[tuple[int, int, float], Real] = {}
    for number, state in enumerate(leads):
        supplies = [
            _sag_fit(net, state, evidence, loads, amps, x_over_r, seen) for x_over_r in X_OVER_RS
        ]
        out[number] = log_sum_exp(np.array(supplies)) - math.log(len(X_OVER_RS))
    return out


def _sag_fit(
    net: Network,
    leads: Leads,
    evidence: Evidence,
    loads: tuple[str, ...],
    amps: float,
    x_over_r: float,
    seen: dict[tuple[int, int, float], Real],
) -> float:
    """Log-likelihood of the voltage changes on one kind of supply, its resistance summed out."""
    by_ohms = OHMS_LOG_PRIOR.copy()
    for k, sag in enumerate(evidence.sags):
        if not sag.usable or leads.positive[k] == OPEN:
            continue
        for test, load in enumerate(loads):
            per_ohm = round(net.sag(leads, k, load, x_over_r), 3)
            key = (k, test, per_ohm)
            if key not in seen:
                seen[key] = sag.log_ratio(test, per_ohm * amps * OHMS)
            by_ohms = by_ohms + seen[key]
    return float(TEMPER * log_sum_exp(by_ohms))


def clamp_kind(net: Network, combination: tuple[Clamp, ...]) -> str:
    """Which kind of fault a set of CT places is."""
    places = [clamp.conductor for clamp in combination]
    dead = places.count(NONE)
    alive = [p for p in places if p != NONE]
    if NEUTRAL in alive:
        return "neutral" if alive.count(NEUTRAL) == 1 and not dead else "odd"
    if len(set(alive)) < len(alive):
        return "doubled" if not dead and len(set(alive)) == 2 else "odd"
    if dead:
        return "dead" if dead == 1 else "odd"
    return "permuted"


@lru_cache(maxsize=32)
def log_priors(net: Network, leads: tuple[Leads, ...], clamps: tuple[Clamp, ...]) -> Real:
    """Log prior [lead, clamp of input 1, ...]."""
    inputs = len(net.inputs)
    count: dict[str, int] = {}
    for state in leads:
        count[state.kind] = count.get(state.kind, 0) + 1
    by_lead = np.log([LEAD_PRIOR[s.kind] / count[s.kind] for s in leads])
    shape = (len(clamps),) * inputs
    kinds = [clamp_kind(net, tuple(clamps[i] for i in index)) for index in np.ndindex(*shape)]
    by_clamp = np.array([math.log(CLAMP_PRIOR[kind] / kinds.count(kind)) for kind in kinds])
    return np.asarray(_along_leads(by_lead, inputs + 1) + by_clamp.reshape((1, *shape)))


def dead_penalty(clamps: tuple[Clamp, ...], evidence: Evidence) -> Real:
    """Log-likelihood [clamp of input 1, ...] of inputs that show current, or none at all."""
    inputs = len(evidence.live)
    total = np.zeros((len(clamps),) * inputs)
    for k, live in enumerate(evidence.live):
        shape = [1] * inputs
        shape[k] = len(clamps)
        if live:
            penalty = np.array([LIVE_DEAD if c.conductor == NONE else 0.0 for c in clamps])
        else:
            penalty = np.array([0.0 if c.conductor == NONE else SILENT_ALIVE for c in clamps])
        total = total + penalty.reshape(shape)
    return total


def infer(
    net: Network,
    leads: tuple[Leads, ...],
    clamps: tuple[Clamp, ...],
    evidence: Evidence,
    loads: tuple[str, ...],
    base: float,
    *,
    signed_q: bool = True,
    log_weight: float = 0.0,
) -> tuple[Posterior, ResponseTables]:
    """Weigh every wiring, the tests being what `loads` says.

    `log_weight` is the log prior of this view of the site.
    """
    tables = ResponseTables(net, evidence, loads, base, signed_q=signed_q)
    fit = tables.joint(leads, clamps)
    levels = np.array([lead_levels(net, state, evidence) for state in leads])
    fit = fit + _along_leads(levels, fit.ndim) + dead_penalty(clamps, evidence)[None]
    sag = lead_sags(net, leads, evidence, loads)
    prior = log_priors(net, leads, clamps) + log_weight
    if not signed_q:
        prior = prior + UNSIGNED_Q_LOG_PRIOR
    total = prior + fit + _along_leads(sag, fit.ndim)
    return (
        Posterior(leads, clamps, prior, fit, sag, float(log_sum_exp(total))),
        tables,
    )
