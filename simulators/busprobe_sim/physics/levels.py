"""Voltages on a two-wire line: nodal analysis of drivers, cable, terminators, bias and loads.

1. Everything is differential: one number per point of the cable, A minus B [V].
2. A driver is a Thevenin source of plus or minus its open-circuit voltage behind its output
   resistance; switched off it is an open circuit.
3. The cable is its loop resistance (both cores) between two neighbouring points. Propagation
   (5 ns/m) is short against a bit up to 115200 Bd on domestic lengths and is left out, as are
   reflections and rise times.
4. Bias is a supply behind pull-up plus pull-down.

The voltages are solved once for each combination of driver states and kept.

References:
    TIA/EIA-485-A as summarised in AN-1057 (SNLA049) and SLLA628; MODBUS over Serial Line V1.02,
    section 3.4 (terminators and bias).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

# Nearer than this two points of the cable are one.
_SAME_PLACE_DIGITS = 3
# One unit load is at least 12 kOhm (TIA/EIA-485-A as tabulated in AN-1057).
UNIT_LOAD_OHM = 12_000.0


@dataclass(frozen=True, slots=True)
class Driver:
    """A differential driver; the defaults are a usual 5 V part (2.51 V into 54 Ohm).

    Attributes:
        open_circuit_v: Differential voltage without load [V]; 4-5 for 5 V parts, 3.0-3.3 for
            3.3 V parts.
        source_ohm: Differential output resistance [Ohm]; 30-60 for 5 V parts, 25-45 for 3.3 V.
        zeros_only: The driver is switched on for 0 bits only and leaves the 1 to the bias, as
            adapters do that switch their direction by the data line itself.
    """

    open_circuit_v: float = 4.5
    source_ohm: float = 43.0
    zeros_only: bool = False


DRIVER_5V = Driver()
DRIVER_3V3 = Driver(3.3, 35.0)
# 1.5 V into 54 Ohm, the least that TIA/EIA-485-A allows.
DRIVER_WEAK = Driver(3.0, 54.0)
# One leg broken: about half the amplitude.
DRIVER_HALF_DEAD = Driver(2.25, 60.0)


@dataclass(frozen=True, slots=True)
class Terminator:
    """A resistor across the pair.

    Attributes:
        position_m: Where it sits [m].
        ohm: Resistance [Ohm].
    """

    position_m: float
    ohm: float = 120.0


@dataclass(frozen=True, slots=True)
class Bias:
    """Pull-up of A and pull-down of B, or the other way round when fitted wrongly.

    Attributes:
        position_m: Where it sits [m].
        pull_up_ohm: Resistor to the supply [Ohm]; 450-650 by MODBUS over Serial Line, 3.4.3.
        pull_down_ohm: Resistor to ground [Ohm].
        supply_v: Supply [V].
        swapped: Pulls A low and B high.
    """

    position_m: float = 0.0
    pull_up_ohm: float = 560.0
    pull_down_ohm: float = 560.0
    supply_v: float = 5.0
    swapped: bool = False


class LevelTable:
    """Differential voltage at each node for each combination of driver states.

    Args:
        positions_m: Position of each node [m].
        drivers: Driver of each node.
        loads_ohm: Input resistance of each node [Ohm].
        loop_ohm_per_m: Loop resistance of the cable [Ohm/m].
        terminators: Terminators on the line.
        biases: Bias networks on the line.
        stuck: Drivers that can never be switched off, as (node, +1 or -1).
    """

    def __init__(
        self,
        positions_m: Sequence[float],
        drivers: Sequence[Driver],
        loads_ohm: Sequence[float],
        *,
        loop_ohm_per_m: float = 0.17,
        terminators: Iterable[Terminator] = (),
        biases: Iterable[Bias] = (),
        stuck: Iterable[tuple[int, int]] = (),
    ) -> None:
        terminators, biases = tuple(terminators), tuple(biases)

        def rounded(position_m: float) -> float:
            return round(position_m, _SAME_PLACE_DIGITS)

        occupied = [
            *positions_m,
            *(terminator.position_m for terminator in terminators),
            *(bias.position_m for bias in biases),
        ]
        points = sorted({rounded(position) for position in occupied})
        place = {position: i for i, position in enumerate(points)}
        self._points = [place[rounded(position)] for position in positions_m]
        self._drivers = tuple(drivers)
        self._stuck = tuple(stuck)
        matrix = np.zeros((len(points), len(points)))
        current = np.zeros(len(points))
        for i in range(len(points) - 1):
            siemens = 1.0 / (loop_ohm_per_m * (points[i + 1] - points[i]))
            matrix[i, i] += siemens
            matrix[i + 1, i + 1] += siemens
            matrix[i, i + 1] -= siemens
            matrix[i + 1, i] -= siemens
        for point, ohm in zip(self._points, loads_ohm, strict=True):
            matrix[point, point] += 1.0 / ohm
        for terminator in terminators:
            point = place[rounded(terminator.position_m)]
            matrix[point, point] += 1.0 / terminator.ohm
        for bias in biases:
            point = place[rounded(bias.position_m)]
            siemens = 1.0 / (bias.pull_up_ohm + bias.pull_down_ohm)
            matrix[point, point] += siemens
            current[point] += siemens * (-bias.supply_v if bias.swapped else bias.supply_v)
        self._matrix = matrix
        self._current = current
        self._kept: dict[tuple[tuple[int, int], ...], tuple[float, ...]] = {}
        self._tables: dict[tuple[tuple[int, ...], int], npt.NDArray[np.float64]] = {}

    @property
    def is_stuck(self) -> bool:
        """Whether a driver can never be switched off, so that the pair is always driven."""
        return bool(self._stuck)

    def voltages(self, states: tuple[tuple[int, int], ...] = ()) -> tuple[float, ...]:
        """Voltages at all nodes [V] while the given drivers are on.

        Args:
            states: (node, +1 or -1) of each driver that is on, as it drives the pair (a node with
                its wires swapped drives -1 for a logical 1).
        """
        kept = self._kept.get(states)
        if kept is None:
            matrix, current = self._matrix.copy(), self._current.copy()
            for node, sign in (*self._stuck, *states):
                point, driver = self._points[node], self._drivers[node]
                matrix[point, point] += 1.0 / driver.source_ohm
                current[point] += sign * driver.open_circuit_v / driver.source_ohm
            solved = np.linalg.solve(matrix, current)
            kept = tuple(float(solved[point]) for point in self._points)
            self._kept[states] = kept
        return kept

    def combination(self, senders: tuple[int, ...], node: int, code: int) -> float:
        """Voltage at a node [V] for one combination of what some drivers do.

        Args:
            senders: Nodes whose drivers may be on.
            node: The node.
            code: What each does as a number of base 3, the first sender in the lowest digit: 0
                drives -1, 1 is off, 2 drives +1.
        """
        on = []
        for sender in senders:
            code, digit = divmod(code, 3)
            if digit != 1:
                on.append((sender, digit - 1))
        return self.voltages(tuple(on))[node]

    def combinations(self, senders: tuple[int, ...], node: int) -> npt.NDArray[np.float64]:
        """Voltage at a node [V] for every combination, by its code; see `combination`."""
        kept = self._tables.get((senders, node))
        if kept is None:
            codes = range(3 ** len(senders))
            kept = np.array([self.combination(senders, node, code) for code in codes])
            self._tables[senders, node] = kept
        return kept
