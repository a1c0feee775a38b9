"""The diagnosis under a known load: from a series to a verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations, groupby, permutations, product

import numpy as np

from busprobe.diagnosis.wiring.edges import Schedule, marked_schedule
from busprobe.diagnosis.wiring.passive import passive_posterior
from busprobe.diagnosis.wiring.physics import (
    OPEN,
    Clamp,
    Leads,
    Network,
    clamps,
    lead_states,
    network,
)
from busprobe.diagnosis.wiring.posterior import (
    Evidence,
    Posterior,
    ResponseTables,
    infer,
    log_sum_exp,
)
from busprobe.diagnosis.wiring.responses import SagResponse, input_response
from busprobe.diagnosis.wiring.samples import Samples, column, samples_of
from busprobe.diagnosis.wiring.search import found_schedule
from busprobe.diagnosis.wiring.types import KnownLoad, MeterSystem
from busprobe.model.series import Series

# Below this share of the nominal voltage a lead counts as having none.
DARK = 0.2
# A CT with more than this has current [A], [W].
LIVE_A = 0.15
LIVE_W = 25.0
# How often a test is announced for one phase and done on another: common practice, no source.
SLIP_PRIOR = 0.01
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


def nominal_voltage(volts: tuple[float, ...], net: Network) -> float:
    """Phase voltage that the readings are multiples of [V]."""
    seen = [v for v in volts if math.isfinite(v)]
    top = max(seen, default=0.0)
    if top <= 0.0:
        return 230.0
    lowest = min(v for v in seen if v > DARK * top)
    if net.system is MeterSystem.THREE_PHASE_THREE_WIRE:
        return lowest / math.sqrt(3.0)
    return lowest


def name_plate_power(load: KnownLoad, nominal_v: float) -> float:
    """Power of a resistive load at the voltage that is there [W]."""
    rated = 230.0 if nominal_v > 170.0 else 120.0
    correction = (nominal_v / rated) ** 2
    return load.power_w * (correction if 0.7 < correction < 1.4 else 1.0)


def mean_volts(samples: Samples) -> tuple[float, ...]:
    """Mean voltage of each input [V], NaN without the register."""
    return tuple(
        float(np.nanmean(one.volts)) if np.isfinite(one.volts).any() else math.nan
        for one in samples.inputs
    )


def odd_levels(volts: tuple[float, ...], net: Network) -> bool:
    """Whether powers may be turned by odd multiples of 30 degrees.

    Neutral and a phase exchanged do that, and show in the voltages; on three wires it is normal.
    """
    top = max((v for v in volts if math.isfinite(v)), default=0.0)
    seen = [v for v in volts if math.isfinite(v) and v > DARK * top]
    three_wire = net.system is MeterSystem.THREE_PHASE_THREE_WIRE
    return three_wire or (bool(seen) and max(seen) > 1.35 * min(seen))


def live_inputs(samples: Samples) -> tuple[bool, ...]:
    """Whether each CT shows any current at all."""
    return tuple(
        bool(
            np.nanmax(np.abs(one.amps), initial=0.0) > LIVE_A
            if np.isfinite(one.amps).any()
            else np.nanmax(np.abs(one.power), initial=0.0) > LIVE_W + one.power_step
        )
        for one in samples.inputs
    )


def _own_level(volts: float, nominal_v: float) -> float:
    """Factor on the power of a resistive load by the voltage of its own phase."""
    relative = volts / nominal_v
    return relative**2 if math.isfinite(relative) and 0.8 < relative < 1.25 else 1.0


def gather(
    series: Series,
    samples: Samples,
    schedule: Schedule,
    loads: tuple[str, ...],
    load: KnownLoad,
    net: Network,
) -> tuple[Evidence, float]:
    """The evidence, and the factor of a right wiring's response to the load."""
    volts = mean_volts(samples)
    nominal = nominal_voltage(volts, net)
    between: dict[tuple[int, int], float] = {}
    for a, b in ((0, 1), (1, 2), (2, 0)):
        if max(a, b) < len(net.inputs) and net.system is MeterSystem.THREE_PHASE_FOUR_WIRE:
            seen = column(series, f"V_{net.inputs[a]}{net.inputs[b]}")
            if seen is not None:
                between[a, b] = float(np.nanmean(seen))
    power = name_plate_power(load, nominal)
    first = loads[0] if loads[0] != "unknown" else net.phases[0]
    right = Leads(net.nominal_leads, net.reference, "permuted")
    factors = [
        abs(net.factor(right, k, Clamp(own, 1), first)) for k, own in enumerate(net.nominal_clamps)
    ]
    base = max(factors) or 1.0
    responses = tuple(
        input_response(
            samples,
            one,
            schedule,
            power * base * _own_level(v, nominal),
            nominal,
            directions=12 if odd_levels(volts, net) else 6,
        )
        for one, v in zip(samples.inputs, volts, strict=True)
    )
    evidence = Evidence(
        responses=responses,
        sags=tuple(SagResponse(samples, one, schedule) for one in samples.inputs),
        volts=volts,
        volts_between=between,
        live=live_inputs(samples),
        load_w=power,
        tolerance=load.tolerance,
        nominal_v=nominal,
    )
    return evidence, base


def plausible_leads(net: Network, volts: tuple[float, ...], nominal_v: float) -> tuple[Leads, ...]:
    """States of the leads that the voltage levels allow; the others need not be weighed."""
    states = lead_states(net.system, net.rotation)
    if net.system is MeterSystem.THREE_PHASE_THREE_WIRE:
        return states
    keep = []
    for state in states:
        for k, v in enumerate(volts):
            if math.isnan(v):
                continue
            dark = state.positive[k] == OPEN
            line = abs(net.input_voltage(state, k)) > 1.4
            level = v / nominal_v
            if dark != (level < DARK) or (not dark and line != (level > 1.35)):
                break
        else:
            keep.append(state)
    return tuple(keep) or states


def slip_odds(
    net: Network, evidence: Evidence, posterior: Posterior, schedule: Schedule, base: float
) -> float:
    """Log odds that the load was not where the operator said.

    Only label sets that put two tests on one phase can show: a consistent exchange of names is
    the same as another wiring.
    """
    announced = schedule.announced
    if not schedule.named or not 2 <= len(announced) <= 3 or "L1L2L3" in announced:
        return -math.inf
    leads = tuple(s for s in posterior.leads if s.kind == "permuted")
    if not leads:
        return -math.inf
    slips: list[float] = []
    for number in range(len(announced)):
        for other in net.phases:
            loads = (*announced[:number], other, *announced[number + 1 :])
            if len(set(loads)) < len(loads):
                slip, _ = infer(net, leads, posterior.clamps, evidence, loads, base)
                slips.append(slip.log_evidence)
    if not slips:
        return -math.inf
    prior = math.log(SLIP_PRIOR / len(slips))
    return float(log_sum_exp(np.array(slips))) + prior - posterior.log_evidence


def examine(
    series: Series, load: KnownLoad, system: MeterSystem, *, rotations: tuple[int, ...] = (1,)
) -> Examined | None:
    """Weigh all wirings; None where the series holds no power per phase or no switching.

    Args:
        series: The record.
        load: The load that was switched.
        system: How the meter is connected.
        rotations: The senses of rotation to allow for.
    """
    net = network(system, rotations[0])
    samples = samples_of(series, net)
    if samples is None:
        return None
    labels = (*net.phases, "L1L2L3")
    fallback = load.phase if load.phase in labels else "unknown"
    if series.marks:
        schedule = marked_schedule(samples, series.marks, fallback, net.phases)
    else:
        schedule = search(samples, load, net)
    if not schedule.edges:
        return None
    names = possible_names(schedule, load, net)
    evidence, base = gather(series, samples, schedule, names[0], load, net)
    views = []
    # Where no reactive power is ever negative, the register may have lost its sign.
    signs = (True, False) if unsigned_q(samples) else (True,)
    for rotation, signed, loads in product(rotations, signs, names):
        turned = network(net.system, rotation)
        leads = plausible_leads(turned, evidence.volts, evidence.nominal_v)
        posterior, tables = infer(
            turned, leads, clamps(net.system), evidence, loads, base, signed_q=signed
        )
        if load.phase == "each" and not schedule.named:
            posterior = _all_visited(turned, posterior, loads)
        views.append(View(turned, loads, posterior, tables))
    slip = -math.inf
    if schedule.named:
        slip = slip_odds(net, evidence, views[0].posterior, schedule, base)
    return Examined(
        net,
        samples,
        schedule,
        tuple(views),
        slip,
        names_from_order=not schedule.named and len(names) == 1 and load.phase == "each",
        sag_seen=any(sag.usable for sag in evidence.sags),
        quiet_inputs=tuple(
            one.name for one, live in zip(samples.inputs, evidence.live, strict=True) if not live
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


def unsigned_q(samples: Samples) -> bool:
    """Whether no reactive power is ever negative."""
    return all(
        one.has_q and bool(np.nanmin(one.power.imag, initial=0.0) >= 0.0) for one in samples.inputs
    )


def _in_turn(schedule: Schedule, phases: int) -> bool:
    """Whether the load went through its places in turn, once or in whole rounds.

    Otherwise something was missed or is not the load, and the order says nothing about names.
    """
    visits = [test for test, _ in groupby(edge.test for edge in schedule.edges)]
    places = len(schedule.announced)
    if places < phases:
        # A place without a trace: only one visit to each of the others keeps their order.
        return visits == sorted(set(visits))
    return all(test == number % places for number, test in enumerate(visits))


def search(samples: Samples, load: KnownLoad, net: Network) -> Schedule:
    """Find the switchings of the load without announcements."""
    volts = mean_volts(samples)
    power = name_plate_power(load, nominal_voltage(volts, net))
    if load.phase == "L1L2L3":
        power /= len(net.phases)
    directions = 12 if odd_levels(volts, net) else 6
    schedule = found_schedule(samples, power, load.tolerance, directions)
    if load.phase in (*net.phases, "L1L2L3") and schedule.edges:
        # One place only: everything that was found belongs to it.
        edges = tuple(replace(edge, test=0) for edge in schedule.edges)
        return Schedule(edges, (load.phase,), named=True, marked=False)
    return schedule


def possible_names(
    schedule: Schedule, load: KnownLoad, net: Network
) -> tuple[tuple[str, ...], ...]:
    """Every set of names that the tests may have."""
    if schedule.named:
        return (schedule.announced,)
    count = min(len(schedule.announced), len(net.phases))
    rest = ("unknown",) * (len(schedule.announced) - count)
    if load.phase == "each" and _in_turn(schedule, len(net.phases)):
        # One phase after the other, in their order; a phase that showed nothing may be any.
        return tuple((*names, *rest) for names in combinations(net.phases, count))
    fixed = [label in net.phases or label == "L1L2L3" for label in schedule.announced]
    if any(fixed):
        return (
            tuple(
                label if known else "unknown"
                for label, known in zip(schedule.announced, fixed, strict=True)
            ),
        )
    return tuple((*names, *rest) for names in permutations(net.phases, count))


def examine_passive(
    series: Series, system: MeterSystem, *, rotations: tuple[int, ...] = (1,)
) -> Examined | None:
    """Weigh wirings by what the site does by itself; None where that is too little."""
    net = network(system, rotations[0])
    samples = samples_of(series, net)
    if samples is None:
        return None
    volts = mean_volts(samples)
    nominal = nominal_voltage(volts, net)
    live = live_inputs(samples)
    views = []
    for rotation in rotations:
        turned = network(system, rotation)
        leads = tuple(
            state
            for state in plausible_leads(turned, volts, nominal)
            if state.kind not in ("doubled", "neutral-open")
        )
        posterior = passive_posterior(turned, leads, samples, nominal, live)
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
