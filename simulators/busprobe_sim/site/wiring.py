"""How a meter is connected: which conductor each CT and each voltage lead is on.

The channel equation follows from it: with voltage lead k on conductor v and CT k on conductor c,
direction s and ratio r, the meter computes ``S_k = s r V_v conj(I_c)``.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

from busprobe_sim.site.demand import PHASES
from busprobe_sim.site.supply import Three

CONDUCTORS = (*PHASES, "N")


@dataclass(frozen=True, slots=True)
class Ct:
    """One current transformer.

    Attributes:
        conductor: "L1", "L2", "L3", "N" or "none" (dead, or clamped on nothing).
        reversed: Whether it is the wrong way round.
        ratio: Indicated over true current (a wrong ratio setting or a wrong CT).
        angle_deg: Constant phase displacement on top of the class, leading positive [degree].
    """

    conductor: str
    reversed: bool = False
    ratio: float = 1.0
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True)
class MeterWiring:
    """All connections of a meter.

    Attributes:
        cts: CT of each current input.
        leads: Conductor of each voltage input: "L1", "L2", "L3", "N" or "open".
        neutral: Conductor of the neutral input, or "open".
    """

    cts: tuple[Ct, Ct, Ct] = (Ct("L1"), Ct("L2"), Ct("L3"))
    leads: tuple[str, str, str] = PHASES
    neutral: str = "N"

    @property
    def right(self) -> bool:
        """Whether every CT and lead is where its label says, for three or four wires."""
        return self in (MeterWiring(), THREE_WIRE)


# Two elements for three wires: CTs on L1 and L3, voltages against L2 (Blondel's theorem: N wires
# need N - 1 elements; A. Blondel, 1893).
THREE_WIRE = MeterWiring((Ct("L1"), Ct("none"), Ct("L3")), neutral="L2")


def seen_voltages(wiring: MeterWiring, voltages: Three) -> Three:
    """Voltages between the voltage inputs and the neutral input [V].

    Args:
        wiring: The connections.
        voltages: Line to neutral bar [V].
    """
    potentials = dict(zip(PHASES, voltages, strict=True))
    potentials["N"] = 0j
    leads = [potentials.get(lead) for lead in wiring.leads]
    if wiring.neutral == "open":
        # The star point of three equal input impedances floats at the mean of what is connected.
        connected = [lead for lead in leads if lead is not None]
        star = sum(connected) / len(connected) if connected else 0j
    else:
        star = potentials[wiring.neutral]
    found = [0j if lead is None else lead - star for lead in leads]
    return found[0], found[1], found[2]


def seen_currents(wiring: MeterWiring, currents: Three) -> Three:
    """Currents as the CTs hand them to the meter [A].

    Args:
        wiring: The connections.
        currents: In the phase conductors, away from the grid [A].
    """
    flowing = dict(zip(PHASES, currents, strict=True))
    # What flows out on the phases comes back on the neutral.
    flowing["N"] = -(currents[0] + currents[1] + currents[2])
    found = []
    for ct in wiring.cts:
        turn = cmath.rect(-ct.ratio if ct.reversed else ct.ratio, math.radians(ct.angle_deg))
        found.append(flowing.get(ct.conductor, 0j) * turn)
    return found[0], found[1], found[2]
