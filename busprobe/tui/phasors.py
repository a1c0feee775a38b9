"""Phasors out of the quantities a meter reports.

Meters of this kind report no angles between voltages: they are drawn 120° apart, as a healthy
three-phase supply has them. The angle of a current to its own voltage follows from active and
reactive power, or, without reactive power, from P against U·I (then its sign is unknown and it is
drawn lagging).
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.model.reading import PHASES

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import Explanation

NOMINAL_ANGLE = {"L1": 0.0, "L2": -120.0, "L3": 120.0}


@dataclass(frozen=True, slots=True)
class Phasor:
    """A voltage or current.

    Attributes:
        phase: "L1".."L3".
        magnitude: Effective value [V] or [A].
        angle_deg: Against the voltage of L1, counter-clockwise [deg].
    """

    phase: str
    magnitude: float
    angle_deg: float


def voltage_phasors(quantities: Mapping[str, float]) -> list[Phasor]:
    """Voltages at their nominal angles."""
    return [
        Phasor(phase, quantities[f"V_{phase}"], NOMINAL_ANGLE[phase])
        for phase in PHASES
        if quantities.get(f"V_{phase}", 0.0) > 0
    ]


def current_phasors(quantities: Mapping[str, float]) -> list[Phasor]:
    """Currents at the angle that the powers give them; those without power are left out."""
    found = []
    for phase in PHASES:
        current = abs(quantities.get(f"I_{phase}", 0.0))
        lag = _lag_deg(quantities, phase)
        if current > 0 and lag is not None:
            found.append(Phasor(phase, current, _wrap(NOMINAL_ANGLE[phase] - lag)))
    return found


def as_wired(
    quantities: Mapping[str, float], explanation: Explanation
) -> tuple[list[Phasor], list[Phasor]]:
    """Voltages and currents at the inputs of the meter, where this wiring puts them.

    Args:
        quantities: What the meter reports.
        explanation: The wiring; conductors stand 120° apart.
    """
    voltages, currents = [], []
    for phase in PHASES:
        volts = quantities.get(f"V_{phase}", 0.0)
        angle = _input_angle_deg(explanation, phase)
        if volts <= 0 or angle is None:
            continue
        voltages.append(Phasor(phase, volts, angle))
        amperes, lag = abs(quantities.get(f"I_{phase}", 0.0)), _lag_deg(quantities, phase)
        if amperes > 0 and lag is not None:
            currents.append(Phasor(phase, amperes, _wrap(angle - lag)))
    return voltages, currents


def as_it_should_be(
    quantities: Mapping[str, float], explanation: Explanation
) -> tuple[list[Phasor], list[Phasor]]:
    """The same moment at a meter that is wired right: each current turned back to its conductor.

    A conductor that no CT sees has no current here.
    """
    _, seen = as_wired(quantities, explanation)
    by_input = {phasor.phase: phasor for phasor in seen}
    leads = {lead.input: lead.conductor for lead in explanation.voltages}
    volts = {leads[p]: quantities.get(f"V_{p}", 0.0) for p in PHASES if p in leads}
    usual = max((v for v in volts.values() if v > 0), default=0.0)
    known = explanation.neutral == "N"
    voltages = [
        Phasor(p, (volts.get(p) or usual) if known else usual, NOMINAL_ANGLE[p])
        for p in PHASES
        if usual and any(lead.input == p for lead in explanation.voltages)
    ]
    currents = []
    for ct in explanation.cts:
        phasor = by_input.get(ct.input)
        if phasor is None or ct.conductor not in NOMINAL_ANGLE:
            continue
        turned = 180.0 if ct.direction == "reversed" else 0.0
        magnitude = phasor.magnitude / (ct.ratio or 1.0)
        currents.append(Phasor(ct.conductor, magnitude, _wrap(phasor.angle_deg + turned)))
    return voltages, sorted(currents, key=lambda p: p.phase)


def _input_angle_deg(explanation: Explanation, phase: str) -> float | None:
    """The angle of the voltage between a lead and the neutral lead [deg]; None where it is open."""
    lead = next((v.conductor for v in explanation.voltages if v.input == phase), None)
    if lead is None or "open" in (lead, explanation.neutral):
        return None
    between = _potential(lead) - _potential(explanation.neutral)
    return None if abs(between) < 1e-9 else _wrap(math.degrees(cmath.phase(between)))


def _potential(conductor: str) -> complex:
    """Of a conductor against neutral, in units of the phase voltage."""
    angle = NOMINAL_ANGLE.get(conductor)
    return 0j if angle is None else cmath.rect(1.0, math.radians(angle))


def _lag_deg(quantities: Mapping[str, float], phase: str) -> float | None:
    """How far the current lags its voltage [deg]."""
    power = quantities.get(f"P_{phase}")
    if power is None:
        return None
    reactive = quantities.get(f"Q_{phase}")
    if reactive is not None:
        return math.degrees(math.atan2(reactive, power)) if power or reactive else None
    apparent = quantities.get(f"V_{phase}", 0.0) * abs(quantities.get(f"I_{phase}", 0.0))
    if apparent <= 0:
        return None
    return math.degrees(math.acos(max(-1.0, min(1.0, power / apparent))))


def _wrap(angle_deg: float) -> float:
    """The same angle within (-180, 180]."""
    return -((-angle_deg + 180.0) % 360.0 - 180.0)
