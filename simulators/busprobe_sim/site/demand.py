"""Power drawn (or fed in) on the three phases, before the voltage is known."""

from __future__ import annotations

from busprobe_sim.site.supply import Three

PHASES = ("L1", "L2", "L3")


def phase_indices(phases: str) -> tuple[int, ...]:
    """Which phases a name stands for: "L1", "L2", "L3", "L1L2L3", or "L1L2" between two legs.

    Raises:
        ValueError: It names none of them.
    """
    if phases == "L1L2L3":
        return 0, 1, 2
    if phases == "L1L2":
        return 0, 1
    return (PHASES.index(phases),)


class Demand:
    """Sum of loads of two kinds: constant power, and power that follows the voltage squared."""

    __slots__ = ("constant_va", "resistive_va")

    def __init__(self) -> None:
        self.constant_va = [0j, 0j, 0j]
        self.resistive_va = [0j, 0j, 0j]

    def add(self, phase: int, power_va: complex, follows_voltage: bool) -> None:
        """Add a load on one phase.

        Args:
            phase: 0, 1 or 2.
            power_va: P + jQ at nominal voltage, inductive Q positive [VA].
            follows_voltage: Whether it is an impedance (a heater) or keeps its power.
        """
        (self.resistive_va if follows_voltage else self.constant_va)[phase] += power_va

    def currents(self, voltages: Three, nominal_v: float) -> Three:
        """Current drawn on each phase at these voltages [A]."""
        found = []
        for k, voltage in enumerate(voltages):
            share = abs(voltage) / nominal_v
            power = self.constant_va[k] + self.resistive_va[k] * share * share
            found.append((power / voltage).conjugate() if voltage else 0j)
        return found[0], found[1], found[2]
