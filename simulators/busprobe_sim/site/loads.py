"""Loads that somebody switches: named ones of the site and the technician's test heater."""

from __future__ import annotations

import bisect
import math
from dataclasses import dataclass

from busprobe_sim.site.chance import Chance
from busprobe_sim.site.demand import Demand, phase_indices

# A test heater differs from its name plate by up to 5 % (common practice, no source).
HEATER_TOLERANCE = 0.05


class History:
    """A value over time, changed at instants that may be told in any order."""

    __slots__ = ("_instants", "_values")

    def __init__(self, initial: float) -> None:
        self._instants: list[int] = []
        self._values = [initial]

    def set(self, value: float, at_ns: int) -> None:
        """Let the value change at `at_ns` [ns]; what was said of later instants stays."""
        place = bisect.bisect_right(self._instants, at_ns)
        self._instants.insert(place, at_ns)
        self._values.insert(place + 1, value)

    def at(self, t_ns: int) -> float:
        """The value in force at `t_ns` [ns]."""
        return self._values[bisect.bisect_right(self._instants, t_ns)]


@dataclass(frozen=True, slots=True)
class LoadParameters:
    """A named load.

    Attributes:
        name: How it is called.
        feeder: The measuring point (feeder) it hangs on; every load also counts at "grid".
        phases: "L1", "L2", "L3" or "L1L2L3".
        power_w: Active power, all phases together [W].
        power_factor: Inductive when positive, capacitive when negative.
        resistive: Whether it follows the voltage squared.
        on: Whether it is on at the start.
        cycle_s: Seconds on and seconds off of a load that switches itself while it is on, or None.
    """

    name: str
    power_w: float
    phases: str = "L1L2L3"
    feeder: str = "house"
    power_factor: float = 1.0
    resistive: bool = False
    on: bool = True
    cycle_s: tuple[float, float] | None = None


class SwitchedLoad:
    """A named load with its switching history."""

    def __init__(self, parameters: LoadParameters, seed: int) -> None:
        self.parameters = parameters
        self.history = History(1.0 if parameters.on else 0.0)
        self._phases = phase_indices(parameters.phases)
        factor = parameters.power_factor
        tangent = math.copysign(math.tan(math.acos(abs(factor))), factor)
        watts = parameters.power_w / len(self._phases)
        self._power_va = complex(watts, watts * tangent)
        self._chance = Chance(seed, f"load/{parameters.name}")

    def add_to(self, demand: Demand, t_ns: int) -> None:
        """Add what it draws at `t_ns` [ns]."""
        share = self.history.at(t_ns)
        if not share or not self._cycle_on(t_ns / 1e9):
            return
        for k in self._phases:
            demand.add(k, share * self._power_va, self.parameters.resistive)

    def _cycle_on(self, t_s: float) -> bool:
        cycle = self.parameters.cycle_s
        if cycle is None:
            return True
        period = cycle[0] + cycle[1]
        place = t_s / period + self._chance.uniform(0)
        number = math.floor(place)
        lasts = cycle[0] * self._chance.between(0.8, 1.2, number, 1)
        return (place - number) * period < lasts


class Heater:
    """A resistive load that the technician plugs to one phase after the other."""

    def __init__(self, seed: int) -> None:
        self._chance = Chance(seed, "test heater")
        self._plugged: dict[tuple[str, str], History] = {}

    def plug(self, feeder: str, phase: str, power_w: float, on: bool, at_ns: int) -> None:
        """Switch it.

        Args:
            feeder: The feeder its socket hangs on.
            phase: "L1", "L2", "L3" or "L1L2L3".
            power_w: Name-plate power at nominal voltage, all phases together [W].
            on: On or off.
            at_ns: When [ns].
        """
        history = self._plugged.setdefault((feeder, phase), History(0.0))
        history.set(self.true_power_w(power_w) if on else 0.0, at_ns)

    def true_power_w(self, power_w: float) -> float:
        """What a heater of this name plate really draws at nominal voltage [W]."""
        error = self._chance.between(-HEATER_TOLERANCE, HEATER_TOLERANCE, round(power_w))
        return power_w * (1.0 + error)

    @property
    def feeders(self) -> set[str]:
        """Where it has been plugged so far."""
        return {feeder for feeder, _ in self._plugged}

    def add_to(self, demand: Demand, feeder: str, t_ns: int) -> None:
        """Add what is plugged on one feeder at `t_ns` [ns]."""
        for (where, phase), history in self._plugged.items():
            watts = history.at(t_ns) if where == feeder else 0.0
            if watts:
                phases = phase_indices(phase)
                for k in phases:
                    demand.add(k, complex(watts / len(phases)), True)
