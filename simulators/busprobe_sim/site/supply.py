"""The grid as the site sees it: a voltage behind an impedance in each conductor."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Literal

from busprobe_sim.site.chance import Chance

Three = tuple[complex, complex, complex]
System = Literal["3p", "split", "1p"]

# Neighbours switch: a small step every so often, common practice, no source.
_NEIGHBOUR_S = 23.0


@dataclass(frozen=True, slots=True)
class SupplyParameters:
    """The low-voltage connection of a site.

    Attributes:
        nominal_v: Voltage line to neutral [V].
        phase_ohm: Impedance of each phase conductor up to the source [ohm].
        neutral_ohm: Impedance of the neutral conductor [ohm]. The default loop is close to the
            reference impedance of IEC 60725 (0.24 + j0.15 and 0.16 + j0.10 ohm, from memory).
        imbalance: Relative deviation of the source voltage of each phase.
        drift_v: Slow common wander of the source voltage, peak [V].
        phase_drift_v: The same for each phase on its own, peak [V].
        neighbour_v: Steps made by neighbours, peak [V].
        hz: Mean frequency [Hz].
        rotation: 1 for L1-L2-L3, -1 for L1-L3-L2.
        system: "3p" three phases 120 degrees apart, "split" two legs 180 degrees apart, "1p" one
            phase; phases that are not there have no voltage.
    """

    nominal_v: float = 230.0
    phase_ohm: complex = 0.16 + 0.08j
    neutral_ohm: complex = 0.11 + 0.05j
    imbalance: tuple[float, float, float] = (0.002, -0.003, 0.001)
    drift_v: float = 1.5
    phase_drift_v: float = 0.5
    neighbour_v: float = 0.3
    hz: float = 50.0
    rotation: int = 1
    system: System = "3p"


def _directions(parameters: SupplyParameters) -> Three:
    if parameters.system == "split":
        return 1.0 + 0j, -1.0 + 0j, 0j
    if parameters.system == "1p":
        return 1.0 + 0j, 0j, 0j
    step = -2.0 * math.pi / 3.0 * parameters.rotation
    return 1.0 + 0j, cmath.rect(1.0, step), cmath.rect(1.0, 2.0 * step)


class Supply:
    """Source voltages and frequency at any instant."""

    def __init__(self, parameters: SupplyParameters, seed: int) -> None:
        self.parameters = parameters
        self._chance = Chance(seed, "supply")
        self._directions = _directions(parameters)

    def voltages(self, t_s: float) -> Three:
        """Source voltages to the source's star point [V]."""
        p, chance = self.parameters, self._chance
        common = p.drift_v * chance.drift(t_s, 300.0)
        slot = math.floor(t_s / _NEIGHBOUR_S)
        found = []
        for k, direction in enumerate(self._directions):
            own = p.phase_drift_v * chance.drift(t_s, 70.0, 1 + k)
            step = p.neighbour_v * (2.0 * chance.uniform(slot, 4 + k) - 1.0)
            found.append((p.nominal_v * (1.0 + p.imbalance[k]) + common + own + step) * direction)
        return found[0], found[1], found[2]

    def frequency(self, t_s: float) -> float:
        """Frequency [Hz]; it wanders by 20 mHz (common practice, no source)."""
        return self.parameters.hz + 0.02 * self._chance.drift(t_s, 20.0, 9)

    def at_terminals(self, source: Three, currents: Three) -> Three:
        """Voltages at the site's board, line to its own neutral bar [V].

        The neutral bar moves too: a load on one phase makes its own voltage sag and the other two
        rise a little.

        Args:
            source: Source voltages [V].
            currents: Current into the site on each phase [A].
        """
        z = self.parameters.phase_ohm
        shift = self.parameters.neutral_ohm * (currents[0] + currents[1] + currents[2])
        return (
            source[0] - z * currents[0] - shift,
            source[1] - z * currents[1] - shift,
            source[2] - z * currents[2] - shift,
        )
