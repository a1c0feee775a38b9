"""The line on paper, against published examples."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.electrical import (
    BiasResistors,
    BusPlan,
    DeviceReads,
    TerminatorAt,
    calculate,
    idle_line,
    poll_cycle,
    rules,
)
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.physics import levels


def lumped(
    terminators: tuple[float, ...], biases: tuple[BiasResistors, ...], nodes: int = 0
) -> BusPlan:
    """A line whose cable has no resistance."""
    return BusPlan(
        tuple(TerminatorAt(ohm) for ohm in terminators), biases, nodes=nodes, loop_ohm_per_m=0.0
    )


def test_ten_biased_nodes_with_two_terminators() -> None:
    # B&B "RS-422 and RS-485 Applications", ch. 2, p. 34-35: printed ~5 mA, -285 mV.
    plan = lumped((120.0, 120.0), (BiasResistors(4700.0, 4700.0),) * 10, nodes=10)
    found = idle_line(plan)
    assert found.lowest_v == pytest.approx(0.2865, abs=0.0005)
    assert found.bias_ma == pytest.approx(5.01, abs=0.01)
    assert found.held


def test_ten_biased_nodes_without_terminators() -> None:
    # Same, p. 36: 2.80 V; the printed total of 2.24 k is an erratum, it is 470 + 1200 + 470.
    found = idle_line(lumped((), (BiasResistors(4700.0, 4700.0),) * 10, nodes=10))
    assert found.lowest_v == pytest.approx(2.80, abs=0.005)
    assert 5e3 / found.bias_ma == pytest.approx(2140.0, rel=1e-6)


@pytest.mark.parametrize(
    ("supply", "wanted", "bias", "terminator"),
    [(3.3, 0.3, 333.33, 146.34), (4.5, 0.25, 527.8, 135.4)],
)
def test_failsafe_formula_as_printed(
    supply: float, wanted: float, bias: float, terminator: float
) -> None:
    # Renesas TB509 rev. 1.01, as quoted in a public notebook; 528 Ohm also in TI SLYT324 (from
    # memory).
    found = rules.failsafe_resistors(supply, wanted)
    assert found == pytest.approx((bias, terminator), rel=2e-4)


def test_failsafe_formula_undershoots_by_nodal_analysis() -> None:
    # Its unit loads lie between each core and ground, 375 Ohm for 32 of them: half as much between
    # the cores. Then V_AB = V_S / (0.036 R_B), where the formula aims at 0.3 V.
    bias, terminator = rules.failsafe_resistors(3.3, 0.3)
    plan = lumped((120.0, terminator), (BiasResistors(bias, bias, 3.3),), nodes=32)
    plan = replace(plan, unit_load=0.5)
    assert idle_line(plan).lowest_v == pytest.approx(3.3 / (0.036 * bias), rel=2e-3)
    assert idle_line(plan).lowest_v == pytest.approx(0.275, abs=0.001)


@pytest.mark.parametrize(
    ("bias", "first", "volts", "ohm"),
    [
        (396.0, 141.4, 0.24998, 119.98),
        (390.0, 150.0, 0.2598, 125.8),
        (300.0, 150.0, 0.330, 120.0),
    ],
)
def test_bias_from_3v3(bias: float, first: float, volts: float, ohm: float) -> None:
    # RDM protocol forum, 2006: V_bias with R_T2 = 120; R_term is R_T1 beside R1 + R2.
    network = (BiasResistors(bias, bias, 3.3),)
    assert idle_line(lumped((first, 120.0), network)).lowest_v == pytest.approx(volts, rel=2e-3)
    assert idle_line(lumped((first,), network)).load_ohm == pytest.approx(ohm, rel=1e-3)


@pytest.mark.parametrize(("bias", "volts"), [(47_000.0, 0.0042), (1_000.0, 0.1868)])
def test_weak_bias_over_one_terminator(bias: float, volts: float) -> None:
    # ADI forum answer citing AN-960, p. 6: printed 4 mV and 187 mV.
    found = idle_line(lumped((120.0,), (BiasResistors(bias, bias, 3.3),)))
    assert found.lowest_v == pytest.approx(volts, rel=5e-3)
    assert not found.held


def test_terminators_beside_bias_and_receivers() -> None:
    # Serial Port Complete, ch. 7: printed 133. An industrial I/O manual: 30 receivers of 36 kOhm
    # make 1200 Ohm; for 100 Ohm 109 (printed 110).
    assert rules.terminator_beside_bias(120.0, 620.0) == pytest.approx(132.9, abs=0.05)
    assert rules.terminator_beside_load(100.0, 36_000.0 / 30) == pytest.approx(109.1, abs=0.05)


@pytest.mark.parametrize(
    ("rise_ns", "metres"), [(3, 0.07), (10, 0.23), (25, 0.6), (100, 2.34), (120, 2.8)]
)
def test_stub_table(rise_ns: float, metres: float) -> None:
    # Data sheets SN65HVD1x and SN65HVD3x, v = 0.78 c.
    assert rules.longest_stub_m(rise_ns) == pytest.approx(metres, abs=0.02)


def test_termination_test() -> None:
    # B&B, p. 29: 2000 ft, 6.2 us, three round trips 18.6 us.
    assert rules.round_trip_us(2000 * 0.3048) == pytest.approx(6.2, abs=0.05)
    assert rules.reflections_die_us(2000 * 0.3048) == pytest.approx(18.6, abs=0.15)


@pytest.mark.parametrize(
    ("baud", "metres"), [(9600, 1718), (19200, 859), (38400, 429), (57600, 286), (115200, 143)]
)
def test_longest_line_without_terminators(baud: int, metres: float) -> None:
    # The same criterion against half a bit, computed independently.
    assert rules.longest_unterminated_m(baud) == pytest.approx(metres, rel=2e-3)


@pytest.mark.parametrize(("ohm", "volts"), [(650.0, 0.221), (560.0, 0.254), (450.0, 0.312)])
def test_bias_of_the_modbus_specification(ohm: float, volts: float) -> None:
    # MODBUS over Serial Line V1.02, section 3.4.3: 450 to 650 Ohm; two terminators of 120 Ohm.
    found = idle_line(lumped((120.0, 120.0), (BiasResistors(ohm, ohm),)))
    assert found.lowest_v == pytest.approx(volts, abs=0.0005)


def test_one_more_biased_node_changes_an_unterminated_line_the_most() -> None:
    # A published table for one unterminated building line asks for 1.8 k at 2-5 nodes, 2.7 k at
    # 5-10 and 12 k at 11-20 (option-board manual citing AN-847): parallel bias of all nodes is kept
    # roughly constant, and every choice holds the line.
    for ohm, counts in ((1800.0, (2, 5)), (2700.0, (5, 10)), (12_000.0, (11, 20))):
        for count in counts:
            network = (BiasResistors(ohm, ohm),) * count
            assert idle_line(lumped((), network, nodes=count)).held
    # The weak bias of the large line does not hold a small terminated one.
    assert not idle_line(lumped((120.0, 120.0), (BiasResistors(12_000.0, 12_000.0),) * 2, 2)).held


def test_third_terminator_takes_the_idle_level_below_200_mv() -> None:
    found = calculate(lumped((120.0, 120.0), (BiasResistors(),), nodes=2), LineSettings(9600))
    assert found.idle.held
    # Computed with an independent nodal model: 0.17 V with three.
    assert found.one_more_terminator.lowest_v == pytest.approx(0.17, abs=0.005)
    assert not found.one_more_terminator.held
    assert found.one_more_bias.lowest_v > 1.8 * found.idle.lowest_v


@given(
    ohm=st.floats(300.0, 5000.0),
    length=st.floats(1.0, 1200.0),
    count=st.integers(0, 3),
    nodes=st.integers(2, 8),
)
def test_agrees_with_the_levels_of_the_simulator(
    ohm: float, length: float, count: int, nodes: int
) -> None:
    # The simulator solves the pair as one differential conductor, we solve both cores.
    plan = BusPlan(
        tuple(TerminatorAt(120.0, x) for x in (0.0, length, 0.0)[:count]),
        (BiasResistors(ohm, ohm),),
        nodes=nodes,
        length_m=length,
    )
    table = levels.LevelTable(
        [length * n / (nodes - 1) for n in range(nodes)],
        [levels.Driver()] * nodes,
        [levels.UNIT_LOAD_OHM] * nodes,
        loop_ohm_per_m=plan.loop_ohm_per_m,
        terminators=tuple(levels.Terminator(t.position_m, t.ohm) for t in plan.terminators),
        biases=(levels.Bias(0.0, ohm, ohm),),
    )
    found = idle_line(plan)
    idle = table.voltages()
    assert found.lowest_v == pytest.approx(min(idle), rel=1e-4)
    assert found.highest_v == pytest.approx(max(idle), rel=1e-4)


def test_poll_cycle_against_measured_cycles() -> None:
    # 20 meters, one read of 107 registers each, turn-around 20 ms, 9600 8N1: 5.20 s is the bound
    # (8 t_c + ta + 219 t_c + t3.5 each); 32 at 115200, 10 ms: 1.01 s. Two of 20 absent with a
    # time-out of 200 ms: 5.10 s.
    meter = DeviceReads((107,), 20.0)
    assert poll_cycle(LineSettings(9600), [meter] * 20).cycle_s == pytest.approx(5.20, abs=0.005)
    quick = DeviceReads((107,), 10.0)
    found = poll_cycle(LineSettings(115200), [quick] * 32)
    assert found.cycle_s == pytest.approx(1.01, abs=0.005)
    absent = DeviceReads((107,), absent=True)
    some = poll_cycle(LineSettings(9600), [meter] * 18 + [absent] * 2, timeout_ms=200.0)
    assert some.cycle_s == pytest.approx(5.10, abs=0.005)
    # 247 meters at 19200 8E1: 37.6 s.
    many = poll_cycle(LineSettings(19200, Parity.EVEN), [meter] * 247)
    assert many.cycle_s == pytest.approx(37.6, abs=0.1)
    assert many.shortest_interval_s > many.worst_s > many.cycle_s > many.bytes_s


def test_checks_name_what_is_wrong() -> None:
    plan = BusPlan(
        (TerminatorAt(), TerminatorAt(), TerminatorAt()), nodes=40, length_m=2000.0, stub_m=30.0
    )
    bad = {c.name for c in calculate(plan, LineSettings()).checks if not c.good}
    assert bad == {"idle-level", "driver-load", "unit-loads", "terminators", "length", "stubs"}
    sound = BusPlan(
        (TerminatorAt(), TerminatorAt(120.0, 80.0)), (BiasResistors(),), nodes=4, length_m=80.0
    )
    assert all(c.good for c in calculate(sound, LineSettings()).checks)
