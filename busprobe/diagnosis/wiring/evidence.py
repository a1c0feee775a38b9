"""What a record says before any wiring is weighed: voltages, currents, responses to the load."""

from __future__ import annotations

import math

import numpy as np

from busprobe.diagnosis.wiring.bank import Evidence
from busprobe.diagnosis.wiring.edges import Schedule
from busprobe.diagnosis.wiring.physics import OPEN, Clamp, Leads, Network, lead_states
from busprobe.diagnosis.wiring.responses import SagResponse, input_response
from busprobe.diagnosis.wiring.samples import Samples, column
from busprobe.diagnosis.wiring.types import KnownLoad, MeterSystem
from busprobe.model.series import Series

# Below this share of the nominal voltage a lead counts as having none.
DARK = 0.2
# A CT with more than this has current [A], [W].
LIVE_A = 0.15
LIVE_W = 25.0


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


def unsigned_q(samples: Samples) -> bool:
    """Whether no reactive power is ever negative."""
    return all(
        one.has_q and bool(np.nanmin(one.power.imag, initial=0.0) >= 0.0) for one in samples.inputs
    )
