"""All wirings weighed: under a known load, or by what the site does by itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from busprobe.diagnosis.wiring.bank import ResponseBank, log_sum_exp
from busprobe.diagnosis.wiring.edges import Schedule, marked_schedule, settled
from busprobe.diagnosis.wiring.evidence import (
    gather,
    live_inputs,
    mean_volts,
    nominal_voltage,
    plausible_leads,
    unsigned_q,
)
from busprobe.diagnosis.wiring.passive import passive_posterior
from busprobe.diagnosis.wiring.physics import Network, clamps, network
from busprobe.diagnosis.wiring.posterior import (
    Posterior,
    ResponseTables,
    infer,
)
from busprobe.diagnosis.wiring.samples import Samples, samples_of
from busprobe.diagnosis.wiring.types import KnownLoad, MeterSystem
from busprobe.diagnosis.wiring.visits import possible_names, search
from busprobe.model.series import Series

# Only the sense of rotation that the names of the phases mean.
FORWARD: Mapping[int, float] = {1: 0.0}
# How often a test is announced for one phase and done on another: common practice, no source.
SLIP_PRIOR = 0.01
# Single tests are suspected only in a short series of them.
MOST_SINGLE_SLIPS = 6
# Log-likelihood of a CT on a phase that was visited, without any trace of the load.
UNSEEN = -12.0


@dataclass(frozen=True, slots=True)
class View:
    """Probabilities of all wirings, the tests having these names and the site this rotation.

    Attributes:
        net: The system, with its rotation.
        loads: The load of each test; empty without a known load.
        posterior: Probabilities of all wirings.
        tables: The tables behind them; None without a known load.
    """

    net: Network
    loads: tuple[str, ...]
    posterior: Posterior
    tables: ResponseTables | None


@dataclass(frozen=True, slots=True)
class Examined:
    """What the record showed, before it is put into words.

    Attributes:
        net: The system.
        samples: The record.
        schedule: The switchings of the known load.
        views: One per set of names and rotation that has to be allowed for.
        log_slip: Log odds that a label is wrong against all labels right.
        names_from_order: Whether the names rest on the order of the tests.
        sag_seen: Whether the voltage registers took part.
        quiet_inputs: Inputs that show no current at all.
    """

    net: Network
    samples: Samples
    schedule: Schedule
    views: tuple[View, ...]
    log_slip: float
    names_from_order: bool
    sag_seen: bool
    quiet_inputs: tuple[str, ...]


def slip_odds(
    net: Network, bank: ResponseBank, posterior: Posterior, schedule: Schedule, base: float
) -> float:
    """Log odds that the load was not where the operator said.

    Only label sets that put two tests on one phase can show: a consistent exchange of names is
    the same as another wiring.
    """
    announced = schedule.announced
    leads = tuple(s for s in posterior.leads if s.kind == "permuted")
    if not schedule.named or "L1L2L3" in announced or not leads:
        return -math.inf
    slipped: set[tuple[str, ...]] = set()
    for wrong, other in product(set(announced), net.phases):
        slipped.add(tuple(other if label == wrong else label for label in announced))
    if len(announced) <= MOST_SINGLE_SLIPS:
        for number, other in product(range(len(announced)), net.phases):
            slipped.add((*announced[:number], other, *announced[number + 1 :]))
    slips = [
        infer(net, leads, posterior.clamps, bank, loads, base)[0].log_evidence
        for loads in sorted(slipped)
        if not _same_but_for_names(loads, announced)
    ]
    if not slips:
        return -math.inf
    prior = math.log(SLIP_PRIOR / len(slips))
    return float(log_sum_exp(np.array(slips))) + prior - posterior.log_evidence


def _same_but_for_names(loads: tuple[str, ...], announced: tuple[str, ...]) -> bool:
    """Whether two sets of labels differ by an exchange of names only."""
    pairs = set(zip(loads, announced, strict=True))
    return len(pairs) == len(set(loads)) == len(set(announced))


def examine(
    series: Series,
    load: KnownLoad,
    system: MeterSystem,
    *,
    rotations: Mapping[int, float] = FORWARD,
) -> Examined | None:
    """Weigh all wirings; None where the series holds no power per phase or no switching.

    Args:
        series: The record.
        load: The load that was switched.
        system: How the meter is connected.
        rotations: The senses of rotation to allow for, and the log prior of each.
    """
    net = network(system)
    samples = samples_of(series, net)
    if samples is None:
        return None
    labels = (*net.phases, "L1L2L3")
    fallback = load.phase if load.phase in labels else "unknown"

    # Announcements without a phase do not say when the load went to another one.
    nameless = load.phase == "each" and all(mark.phase == "unknown" for mark in series.marks)

    def switchings(of: Samples) -> Schedule:
        if series.marks and not nameless:
            return marked_schedule(of, series.marks, fallback, net.phases)
        return search(of, load, net)

    schedule = switchings(samples)
    longer = settled(samples, schedule, load.power_w)
    if longer.lag != samples.lag:
        samples, schedule = longer, switchings(longer)
    if not schedule.edges:
        return None
    names = possible_names(schedule, load, net)
    first, base = gather(series, samples, schedule, names[0], load, net)
    first_bank = ResponseBank(first)
    views = []
    # Where no reactive power is ever negative, the register may have lost its sign.
    signs = (True, False) if unsigned_q(samples) else (True,)
    for reading, doubt in schedule.readings():
        bank = first_bank
        if reading is not schedule:
            bank = ResponseBank(gather(series, samples, reading, names[0], load, net)[0])
        for (rotation, weight), signed, loads in product(rotations.items(), signs, names):
            turned = network(net.system, rotation)
            posterior, tables = infer(
                turned,
                plausible_leads(turned, first.volts, first.nominal_v),
                clamps(net.system),
                bank,
                loads,
                base,
                signed_q=signed,
                log_weight=weight + doubt,
            )
            if load.phase == "each" and not schedule.named and not schedule.tangled:
                posterior = _all_visited(turned, posterior, loads)
            views.append(View(turned, loads, posterior, tables))
    slip = -math.inf
    if schedule.named:
        slip = slip_odds(net, first_bank, views[0].posterior, schedule, base)
    return Examined(
        net,
        samples,
        schedule,
        tuple(views),
        slip,
        names_from_order=not schedule.named and len(names) == 1 and load.phase == "each",
        sag_seen=any(sag.usable for sag in first.sags),
        quiet_inputs=tuple(
            one.name for one, live in zip(samples.inputs, first.live, strict=True) if not live
        ),
    )


def _all_visited(net: Network, posterior: Posterior, loads: tuple[str, ...]) -> Posterior:
    """Take it that the load was on every phase: a CT on a phase without a test would have shown."""
    unseen = [
        number
        for number, clamp in enumerate(posterior.clamps)
        if clamp.conductor in net.phases and clamp.conductor not in loads
    ]
    if not unseen:
        return posterior
    fit = posterior.log_fit.copy()
    for axis in range(1, fit.ndim):
        index: list[slice | list[int]] = [slice(None)] * fit.ndim
        index[axis] = unseen
        fit[tuple(index)] += UNSEEN
    total = posterior.log_prior + fit
    total = total + posterior.log_sag.reshape((-1,) + (1,) * (fit.ndim - 1))
    return replace(posterior, log_fit=fit, log_evidence=float(log_sum_exp(total)))


def examine_passive(
    series: Series, system: MeterSystem, *, rotations: Mapping[int, float] = FORWARD
) -> Examined | None:
    """Weigh wirings by what the site does by itself; None where that is too little."""
    net = network(system)
    samples = samples_of(series, net)
    if samples is None:
        return None
    volts = mean_volts(samples)
    nominal = nominal_voltage(volts, net)
    live = live_inputs(samples)
    views = []
    for rotation, weight in rotations.items():
        turned = network(system, rotation)
        leads = tuple(
            state
            for state in plausible_leads(turned, volts, nominal)
            if state.kind not in ("doubled", "neutral-open")
        )
        posterior = passive_posterior(turned, leads, samples, nominal, live, log_weight=weight)
        if posterior is None:
            return None
        views.append(View(turned, (), posterior, None))
    return Examined(
        net,
        samples,
        Schedule((), (), named=False, marked=False),
        tuple(views),
        -math.inf,
        names_from_order=False,
        sag_seen=all(np.isfinite(v) for v in volts),
        quiet_inputs=tuple(o.name for o, on in zip(samples.inputs, live, strict=True) if not on),
    )
