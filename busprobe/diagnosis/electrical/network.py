"""Idle voltage and driver load of a two-wire line, by nodal analysis of both cores.

Every resistor of the line is an edge between points of core A, core B, ground and the supply: bias
pulls A up and B down, terminators and receivers lie between the cores, the cable is half its loop
resistance in each core. Nothing is driven; Kirchhoff's current law at every point gives the
voltages.

References:
    TIA/EIA-485-A as tabulated in AN-1057 (SNLA049): 200 mV sensitivity, unit load 12 kOhm, 32 unit
    loads. MODBUS over Serial Line V1.02, section 3.4: one bias of 450-650 Ohm, two terminators.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

UNIT_LOAD_OHM = 12_000.0
MOST_UNIT_LOADS = 32.0
SENSITIVITY_V = 0.2
# The least a driver may give into 54 Ohm is 1.5 V (TIA/EIA-485-A): as a source, 3 V behind 54 Ohm.
WEAKEST_DRIVER_V = 3.0
WEAKEST_DRIVER_OHM = 54.0
_SAME_PLACE_DIGITS = 3


@dataclass(frozen=True, slots=True)
class TerminatorAt:
    """A resistor across the pair.

    Attributes:
        ohm: Resistance [Ohm].
        position_m: Where it sits [m].
    """

    ohm: float = 120.0
    position_m: float = 0.0


@dataclass(frozen=True, slots=True)
class BiasResistors:
    """Pull-up on A and pull-down on B.

    Attributes:
        pull_up_ohm: From core A to the supply [Ohm].
        pull_down_ohm: From core B to ground [Ohm].
        supply_v: Supply [V].
        position_m: Where it sits [m].
    """

    pull_up_ohm: float = 560.0
    pull_down_ohm: float = 560.0
    supply_v: float = 5.0
    position_m: float = 0.0


@dataclass(frozen=True, slots=True)
class BusPlan:
    """A line and what hangs on it.

    Attributes:
        terminators: Resistors across the pair.
        biases: Bias networks.
        nodes: Transceivers on the line, the tool included, spread evenly over its length.
        unit_load: Load of one of them [unit loads of 12 kOhm between the cores, as B&B's examples
            count; where 12 kOhm from each core to ground are meant, give half].
        length_m: Length of the cable [m].
        loop_ohm_per_m: Loop resistance, both cores [Ohm/m]; 0.17 is 24 AWG (from memory).
        baud: Rate [bit/s].
        stub_m: Longest stub [m].
        rise_ns: Rise time of the fastest driver [ns].
        velocity: Propagation, relative to light in vacuum.
    """

    terminators: tuple[TerminatorAt, ...] = (TerminatorAt(),)
    biases: tuple[BiasResistors, ...] = ()
    nodes: int = 2
    unit_load: float = 1.0
    length_m: float = 0.0
    loop_ohm_per_m: float = 0.17
    baud: int = 9600
    stub_m: float = 0.0
    rise_ns: float = 100.0
    velocity: float = 0.66


@dataclass(frozen=True, slots=True)
class IdleLine:
    """The undriven line.

    Attributes:
        lowest_v: Smallest A minus B along the cable while nobody drives [V].
        highest_v: Largest [V].
        bias_ma: Current out of the bias supplies [mA].
        load_ohm: What a driver at the start of the cable has to drive [Ohm].
        driven_v: Smallest A minus B along the cable while the weakest legal driver at its start
            sends a 1 [V].
        unit_loads: Receivers on the line [unit loads].
    """

    lowest_v: float
    highest_v: float
    bias_ma: float
    load_ohm: float
    driven_v: float
    unit_loads: float

    @property
    def held(self) -> bool:
        """Whether every receiver within the standard reads the idle line as 1."""
        return self.lowest_v >= SENSITIVITY_V


_GROUND = -1


class _Circuit:
    """Conductances and currents between numbered points; ground is -1."""

    def __init__(self) -> None:
        self._points: dict[object, int] = {}
        self._edges: list[tuple[int, int, float]] = []
        self._sources: list[tuple[int, float]] = []

    def point(self, name: object) -> int:
        return self._points.setdefault(name, len(self._points))

    def resistor(self, a: int, b: int, ohm: float) -> None:
        self._edges.append((a, b, 1.0 / ohm))

    def supply(self, a: int, ohm: float, volts: float) -> None:
        """A supply against ground behind a resistor, as its Norton equivalent."""
        self.resistor(a, _GROUND, ohm)
        self._sources.append((a, volts / ohm))

    def current(self, into: int, out_of: int, ampere: float) -> None:
        self._sources += [(into, ampere), (out_of, -ampere)]

    def solve(self) -> np.ndarray:
        size = len(self._points)
        g, i = np.zeros((size, size)), np.zeros(size)
        for a, b, siemens in self._edges:
            for one, other in ((a, b), (b, a)):
                if one == _GROUND:
                    continue
                g[one, one] += siemens
                if other != _GROUND:
                    g[one, other] -= siemens
        for point, ampere in self._sources:
            i[point] += ampere
        # A line without any path to ground floats as a whole; differences are still defined.
        g[np.diag_indices(size)] += 1e-12
        return np.linalg.solve(g, i)


def _places(plan: BusPlan) -> list[float]:
    spread = max(plan.nodes - 1, 1)
    nodes = [plan.length_m * n / spread for n in range(plan.nodes)]
    places: Iterable[float] = [
        0.0,
        plan.length_m,
        *nodes,
        *(t.position_m for t in plan.terminators),
        *(b.position_m for b in plan.biases),
    ]
    return sorted({_place(plan, x) for x in places})


def _place(plan: BusPlan, position_m: float) -> float:
    return round(position_m, _SAME_PLACE_DIGITS) if plan.loop_ohm_per_m else 0.0


def _build(plan: BusPlan, *, with_bias: bool = True) -> tuple[_Circuit, list[float]]:
    circuit, places = _Circuit(), _places(plan)

    def pair(position_m: float) -> tuple[int, int]:
        place = _place(plan, position_m)
        return circuit.point(("A", place)), circuit.point(("B", place))

    for place in places:
        pair(place)
    for left, right in pairwise(places):
        core = plan.loop_ohm_per_m * (right - left) / 2
        for a, b in zip(pair(left), pair(right), strict=True):
            circuit.resistor(a, b, core)
    for terminator in plan.terminators:
        circuit.resistor(*pair(terminator.position_m), terminator.ohm)
    spread = max(plan.nodes - 1, 1)
    for number in range(plan.nodes):
        position = plan.length_m * number / spread
        circuit.resistor(*pair(position), UNIT_LOAD_OHM / plan.unit_load)
    for bias in plan.biases:
        a, b = pair(bias.position_m)
        circuit.supply(a, bias.pull_up_ohm, bias.supply_v if with_bias else 0.0)
        circuit.resistor(b, _GROUND, bias.pull_down_ohm)
    return circuit, places


def _differences(circuit: _Circuit, places: list[float]) -> list[float]:
    volts = circuit.solve()
    return [float(volts[circuit.point(("A", p))] - volts[circuit.point(("B", p))]) for p in places]


def idle_line(plan: BusPlan) -> IdleLine:
    """Solve the line, undriven and driven by the weakest legal driver at its start."""
    circuit, places = _build(plan)
    idle = _differences(circuit, places)
    volts = circuit.solve()
    bias_ma = sum(
        1e3
        * (bias.supply_v - float(volts[circuit.point(("A", _place(plan, bias.position_m)))]))
        / bias.pull_up_ohm
        for bias in plan.biases
    )
    probe, _ = _build(plan, with_bias=False)
    start_a, start_b = probe.point(("A", places[0])), probe.point(("B", places[0]))
    probe.current(start_a, start_b, 1e-3)
    load = _differences(probe, places)[0] / 1e-3
    driven, _ = _build(plan)
    start_a, start_b = driven.point(("A", places[0])), driven.point(("B", places[0]))
    driven.resistor(start_a, start_b, WEAKEST_DRIVER_OHM)
    driven.current(start_a, start_b, WEAKEST_DRIVER_V / WEAKEST_DRIVER_OHM)
    return IdleLine(
        min(idle),
        max(idle),
        bias_ma,
        load,
        min(_differences(driven, places)),
        plan.nodes * plan.unit_load,
    )
