"""Voltages of a line against worked examples and an independent nodal model."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe_sim.physics.levels import (
    DRIVER_3V3,
    DRIVER_5V,
    DRIVER_WEAK,
    Bias,
    Driver,
    LevelTable,
    Terminator,
)

NO_LOAD = 1e12


def idle(
    biases: list[Bias], terminators: list[float], load_ohm: float = NO_LOAD, nodes: int = 1
) -> float:
    table = LevelTable(
        [0.0] * nodes,
        [DRIVER_5V] * nodes,
        [load_ohm] * nodes,
        terminators=[Terminator(0.0, ohm) for ohm in terminators],
        biases=biases,
    )
    return table.voltages()[0]


def test_ten_biased_nodes_with_terminators() -> None:
    # "RS-422 and RS-485 Applications" ebook, chapter 2, pages 34-35: 10 nodes of 12 kOhm with
    # 4.7 kOhm up and down each, two 120 Ohm, 5 V: 997 Ohm in all, 5 mA, 286.5 mV (printed 285).
    biases = [Bias(0.0, 4700, 4700, 5.0)] * 10
    assert idle(biases, [120, 120], 12_000, nodes=10) == pytest.approx(0.2865, abs=2e-4)


def test_ten_biased_nodes_without_terminators() -> None:
    # Same ebook, page 36: 470 + 1200 + 470 = 2140 Ohm, 2.80 V.
    biases = [Bias(0.0, 4700, 4700, 5.0)] * 10
    assert idle(biases, [], 12_000, nodes=10) == pytest.approx(2.80, abs=5e-3)


@pytest.mark.parametrize(
    ("resistor", "terminators", "expected_mv"),
    [
        # RDM forum 2006, 3.3 V bias.
        (396, [141.4, 120], 249.98),
        (390, [150, 120], 259.8),
        (300, [150, 120], 330.0),
        # Forum answer citing application note AN-960, page 6: 47 k + 47 k and 1 k + 1 k.
        (47_000, [120], 4.2),
        (1_000, [120], 186.8),
    ],
)
def test_bias_of_3v3(resistor: float, terminators: list[float], expected_mv: float) -> None:
    volts = idle([Bias(0.0, resistor, resistor, 3.3)], terminators)
    assert 1000 * volts == pytest.approx(expected_mv, abs=0.06 if expected_mv > 5 else 0.02)


@pytest.mark.parametrize(("resistor", "expected_v"), [(650, 0.221), (560, 0.254), (450, 0.312)])
def test_bias_of_the_serial_line_specification(resistor: float, expected_v: float) -> None:
    # MODBUS over Serial Line V1.02, section 3.4.3: 450-650 Ohm; voltages recomputed with 2 x 120.
    assert idle([Bias(0.0, resistor, resistor)], [120, 120]) == pytest.approx(expected_v, abs=1e-3)


def test_swapped_bias_pulls_the_other_way() -> None:
    right = idle([Bias(0.0)], [120, 120])
    assert idle([Bias(0.0, swapped=True)], [120, 120]) == pytest.approx(-right)


@pytest.mark.parametrize(
    ("driver", "into_54"), [(DRIVER_5V, 2.51), (DRIVER_3V3, 2.0), (DRIVER_WEAK, 1.5)]
)
def test_drivers_into_54_ohm(driver: Driver, into_54: float) -> None:
    # 54 Ohm stands for 32 unit loads and two terminators (TIA/EIA-485-A as told in SLLA628).
    table = LevelTable([0.0], [driver], [NO_LOAD], terminators=[Terminator(0.0, 54.0)])
    assert table.voltages(((0, 1),))[0] == pytest.approx(into_54, abs=0.01)
    assert table.voltages(((0, -1),))[0] == pytest.approx(-into_54, abs=0.01)


def test_a_third_terminator_and_a_missing_one() -> None:
    # Computed with an independent nodal model: idle 0.26 V with two, 0.17 V with three and 0.48 V
    # with one terminator; the 5 V driver still gives 2.17 V into three.
    assert idle([Bias(0.0)], [120, 120]) == pytest.approx(0.26, abs=0.01)
    assert idle([Bias(0.0)], [120, 120, 120]) == pytest.approx(0.17, abs=0.01)
    assert idle([Bias(0.0)], [120]) == pytest.approx(0.48, abs=0.01)
    assert idle([], [120, 120]) == 0.0
    table = LevelTable(
        [0.0], [DRIVER_5V], [NO_LOAD], terminators=[Terminator(0.0)] * 3, biases=[Bias(0.0)]
    )
    # The bias adds a little to what the driver alone gives.
    assert table.voltages(((0, 1),))[0] == pytest.approx(2.17 + 0.10, abs=0.06)


# Two drivers against each other, seen from 0 m, computed with an independent nodal model: positions
# of A and B, drivers, then V for A=1 B=0, A=0 B=1, A alone 1 and 0, B alone 1 and 0.
CONTEST = [
    pytest.param(
        (5, 15), (DRIVER_5V, DRIVER_5V), (0.17, 0.00, 2.63, -2.40, 2.60, -2.36), id="near"
    ),
    pytest.param(
        (5, 50), (DRIVER_5V, DRIVER_5V), (0.43, -0.27, 2.68, -2.46, 2.54, -2.28), id="45m"
    ),
    pytest.param(
        (5, 300), (DRIVER_5V, DRIVER_5V), (1.53, -1.33, 2.82, -2.59, 2.08, -1.66), id="295m"
    ),
    pytest.param(
        (5, 15), (DRIVER_5V, DRIVER_3V3), (0.31, -0.15, 2.63, -2.40, 2.08, -1.86), id="3V3"
    ),
    pytest.param(
        (5, 15), (DRIVER_WEAK, DRIVER_5V), (-0.78, 0.95, 1.63, -1.35, 2.63, -2.40), id="weak"
    ),
]


@pytest.mark.parametrize(("positions", "drivers", "expected"), CONTEST)
def test_two_drivers_against_each_other(
    positions: tuple[float, float], drivers: tuple[Driver, Driver], expected: tuple[float, ...]
) -> None:
    # The cable ends at the farther device; bias sits at 0 m.
    table = LevelTable(
        [0.0, *positions],
        [DRIVER_5V, *drivers],
        [12_000.0] * 3,
        terminators=[Terminator(0.0), Terminator(positions[1])],
        biases=[Bias(0.0)],
    )
    cases = [
        ((1, 1), (2, -1)),
        ((1, -1), (2, 1)),
        ((1, 1),),
        ((1, -1),),
        ((2, 1),),
        ((2, -1),),
    ]
    got = [table.voltages(case)[0] for case in cases]
    # That model tells neither where its cable ended nor its weak driver ("1.5 V class").
    tolerance = 0.13 if DRIVER_WEAK in drivers else 0.06
    assert got == pytest.approx(expected, abs=tolerance)


@given(
    st.lists(st.floats(0, 500), min_size=2, max_size=6),
    st.floats(0.08, 0.28),
    st.sampled_from([(), ((0, 1),), ((0, -1),), ((0, 1), (1, -1))]),
)
def test_superposition(
    positions: list[float], loop: float, states: tuple[tuple[int, int], ...]
) -> None:
    # The network is linear once the drivers that are on are fixed: reversing every source reverses
    # every voltage.
    def solve(sign: int) -> tuple[float, ...]:
        table = LevelTable(
            positions,
            [DRIVER_5V] * len(positions),
            [12_000.0] * len(positions),
            loop_ohm_per_m=loop,
            terminators=[Terminator(0.0), Terminator(500.0)],
            biases=[Bias(0.0, swapped=sign < 0)],
        )
        return table.voltages(tuple((node, sign * state) for node, state in states))

    assert solve(1) == pytest.approx([-volts for volts in solve(-1)], abs=1e-9)
    assert all(abs(volts) <= 4.5 for volts in solve(1))
