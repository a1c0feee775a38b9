"""From tables of responses to the probability of every wiring.

A hypothesis is a state of the voltage leads and a place and direction of every CT. Given the leads
and the true size of the load, the inputs are independent; so each input has a table [answer, size
of the load], in which its ratio and its angle error are already summed out, and the probability of
a wiring is a product of table entries, summed over the size of the load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busprobe.diagnosis.wiring.bank import (
    HEADROOM,
    LEAST,
    TEMPER,
    Evidence,
    ResponseBank,
    Tests,
    log_sum_exp,
)
from busprobe.diagnosis.wiring.layout import (
    Geometry,
    layout,
    sag_layout,
    voltage_layout,
)
from busprobe.diagnosis.wiring.physics import (
    NEUTRAL,
    NONE,
    X_OVER_RS,
    Clamp,
    Leads,
    Network,
)
from busprobe.diagnosis.wiring.samples import Real

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


class ResponseTables:
    """Likelihoods of wirings, the tests being what `loads` says.

    Args:
        net: The system.
        bank: What was seen.
        loads: The load that each test is taken to have switched.
        base: Factor of a right wiring's response to the load.
        signed_q: Whether the reactive power has a sign.
    """

    def __init__(
        self,
        net: Network,
        bank: ResponseBank,
        loads: tuple[str, ...],
        base: float,
        *,
        signed_q: bool = True,
    ) -> None:
        self.signed_q = signed_q
        self._net, self._bank = net, bank
        self._labels = tuple(sorted(set(loads)))
        self._tests: dict[str, Tests] = {
            label: tuple(n for n, load in enumerate(loads) if load == label)
            for label in self._labels
        }
        responses = bank.evidence.responses
        self._geometry = Geometry(
            net,
            base,
            responses[0].directions,
            signed_q,
            tuple(response.current is not None for response in responses),
        )

    @property
    def load_prior(self) -> Real:
        """Log prior of the sizes of the load."""
        return self._bank.load_prior

    def by_ratio(self, leads: Leads, k: int, clamp: Clamp) -> Real:
        """Log-likelihood [size of the load, ratio] of input k, its angle errors summed out."""
        answer = self._geometry.answer(leads, k, clamp, self._labels)
        return self._bank.by_ratio(k, answer, self._tests)

    def joint(self, leads: tuple[Leads, ...], clamps: tuple[Clamp, ...]) -> Real:
        """Log-likelihood [lead, clamp of input 1, ...], load size and ratios summed out."""
        where = layout(self._geometry, leads, clamps, self._labels)
        inputs = len(where.answers)
        kinds = where.which[0].shape[0]
        product: Real = np.broadcast_to(
            np.exp(self.load_prior + HEADROOM)[None, None, :], (kinds, 1, self.load_prior.size)
        )
        tops = np.full((kinds,) + (1,) * inputs, -HEADROOM)
        for k, (answers, which) in enumerate(zip(where.answers, where.which, strict=True)):
            table = self._bank.by_load(k, answers, self._tests)
            top = table.max(axis=1)
            share = np.exp(table - top[:, None])[which]
            shape = [kinds] + [1] * inputs
            shape[k + 1] = len(clamps)
            tops = tops + top[which].reshape(shape)
            if k + 1 < inputs:
                grown = product[:, :, None, :] * share[:, None, :, :]
                product = grown.reshape(kinds, -1, grown.shape[-1])
            else:
                product = product @ share.transpose(0, 2, 1)
        out = np.log(product.reshape(tops.shape) + LEAST) + tops
        return np.asarray(out[where.kind])

    def sags(self, leads: tuple[Leads, ...]) -> Real:
        """Log-likelihood [lead] of the voltage changes under the known load.

        The resistance of the supply and its kind are summed out.
        """
        evidence = self._bank.evidence
        if not any(sag.usable for sag in evidence.sags):
            return np.zeros(len(leads))
        amps = evidence.load_w / evidence.nominal_v
        per_ohm = sag_layout(self._net, leads, self._labels)
        by_ohms = np.broadcast_to(OHMS_LOG_PRIOR, (*per_ohm.shape[2:], OHMS.size))
        for k, sag in enumerate(evidence.sags):
            if not sag.usable:
                continue
            for number, label in enumerate(self._labels):
                change = per_ohm[k, number, :, :, None] * (amps * OHMS)
                by_ohms = by_ohms + sag.log_ratio(self._tests[label], change)
        supplies = TEMPER * log_sum_exp(by_ohms, axis=2)
        return log_sum_exp(supplies, axis=1) - math.log(len(X_OVER_RS))


def lead_levels(net: Network, leads: tuple[Leads, ...], evidence: Evidence) -> Real:
    """Log-likelihood [lead] of the voltage levels themselves: 230/400/400, or nothing at all."""
    expected = voltage_layout(net, leads, tuple(evidence.volts_between))
    seen = np.array([*evidence.volts, *evidence.volts_between.values()]) / evidence.nominal_v
    each = np.maximum(-0.5 * ((seen - expected) / 0.06) ** 2, -40.0)
    return np.asarray(np.nansum(each, axis=1))


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
    bank: ResponseBank,
    loads: tuple[str, ...],
    base: float,
    *,
    signed_q: bool = True,
    log_weight: float = 0.0,
) -> tuple[Posterior, ResponseTables]:
    """Weigh every wiring, the tests being what `loads` says.

    `log_weight` is the log prior of this view of the site.
    """
    tables = ResponseTables(net, bank, loads, base, signed_q=signed_q)
    evidence = bank.evidence
    fit = tables.joint(leads, clamps)
    levels = lead_levels(net, leads, evidence)
    fit = fit + _along_leads(levels, fit.ndim) + dead_penalty(clamps, evidence)[None]
    sag = tables.sags(leads)
    prior = log_priors(net, leads, clamps) + log_weight
    if not signed_q:
        prior = prior + UNSIGNED_Q_LOG_PRIOR
    total = prior + fit + _along_leads(sag, fit.ndim)
    return (
        Posterior(leads, clamps, prior, fit, sag, float(log_sum_exp(total))),
        tables,
    )
