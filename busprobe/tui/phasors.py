"""Phasors out of the quantities a meter reports.

Meters of this kind report no angles between voltages: they are drawn 120° apart, as a healthy
three-phase supply has them. The angle of a current to its own voltage follows from active and
reactive power, or, without reactive power, from P against U·I (then its sign is unknown and it is
drawn lagging).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from busprobe.model.reading import PHASES

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
