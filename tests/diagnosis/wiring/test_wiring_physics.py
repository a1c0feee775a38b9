"""The factors of wrong wirings against phasors computed apart, and against closed forms.

Closed forms: "Error Analysis of Common Power Meter Installation Faults on Three-Phase Networks",
Electronics 2024, 13(8), 1501; two-wattmeter formulas (cos(30 +- phi)), textbook; Blondel's theorem
(N wires need N-1 elements).
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from fractions import Fraction

import numpy as np
import pytest

from busprobe.diagnosis.wiring.physics import Clamp, Leads, lead_states, network
from busprobe.diagnosis.wiring.types import MeterSystem
from tests.diagnosis.wiring.phasors import PHASES, VOLTS, apparent_power, balanced_currents

NET = network(MeterSystem.THREE_PHASE_FOUR_WIRE)
RIGHT = Leads(PHASES, "N", "permuted")
CYCLIC = ("L2", "L3", "L1")
SQ3 = math.sqrt(3.0)


def powers(clamps: tuple[str, ...], directions: tuple[int, ...], phi: float = 0.0) -> list[complex]:
    """Sum over the three loads of the diagnosis' own factors, per unit of one phase."""
    load = complex(math.cos(phi), math.sin(phi))
    return [
        load * sum(NET.factor(RIGHT, k, Clamp(clamps[k], directions[k]), place) for place in PHASES)
        for k in range(3)
    ]


@pytest.mark.parametrize(
    ("clamps", "directions", "p", "q"),
    [
        (PHASES, (1, 1, 1), (1, 1, 1), (0, 0, 0)),
        (PHASES, (1, -1, 1), (1, -1, 1), (0, 0, 0)),
        (("L2", "L1", "L3"), (1, 1, 1), (-0.5, -0.5, 1), (SQ3 / 2, -SQ3 / 2, 0)),
        (("L2", "L1", "L3"), (-1, -1, 1), (0.5, 0.5, 1), (-SQ3 / 2, SQ3 / 2, 0)),
        (CYCLIC, (1, 1, 1), (-0.5,) * 3, (SQ3 / 2,) * 3),
        (("L3", "L1", "L2"), (1, 1, 1), (-0.5,) * 3, (-SQ3 / 2,) * 3),
        (CYCLIC, (-1, -1, -1), (0.5,) * 3, (-SQ3 / 2,) * 3),
    ],
)
def test_a_resistive_load_reads_the_closed_form(
    clamps: tuple[str, ...],
    directions: tuple[int, ...],
    p: tuple[float, ...],
    q: tuple[float, ...],
) -> None:
    ours = powers(clamps, directions)
    np.testing.assert_allclose([s.real for s in ours], p, atol=1e-12)
    np.testing.assert_allclose([s.imag for s in ours], q, atol=1e-12)


@pytest.mark.parametrize("phi", [0.0, 0.3, -0.4, 0.9])
def test_every_ct_wiring_reads_what_ohms_law_says(phi: float) -> None:
    currents = balanced_currents(10.0, phi)
    for clamps in itertools.permutations(PHASES):
        for directions in itertools.product((1, -1), repeat=3):
            seen = apparent_power(PHASES, clamps, directions, currents)
            ours = powers(clamps, directions, phi)
            np.testing.assert_allclose(np.array(seen) / 2300.0, ours, atol=1e-12)


@pytest.mark.parametrize("phi", [0.2, -0.35])
def test_totals_follow_the_closed_forms(phi: float) -> None:
    tan = math.tan(phi)

    def total(clamps: tuple[str, ...], directions: tuple[int, ...]) -> float:
        return sum(s.real for s in powers(clamps, directions, phi)) / (3.0 * math.cos(phi))

    swapped = ("L2", "L1", "L3")
    assert total(swapped, (1, 1, 1)) == pytest.approx(0.0, abs=1e-12)
    assert total(swapped, (-1, -1, 1)) == pytest.approx(2 / 3)
    assert total(swapped, (1, -1, 1)) == pytest.approx(1 / 3 - tan / SQ3)
    assert total(CYCLIC, (1, 1, 1)) == pytest.approx(-0.5 - SQ3 / 2 * tan)
    assert total(("L3", "L1", "L2"), (1, 1, 1)) == pytest.approx(-0.5 + SQ3 / 2 * tan)
    assert total(CYCLIC, (-1, 1, 1)) == pytest.approx(-1 / 6 - SQ3 / 6 * tan)
    assert total(CYCLIC, (-1, -1, 1)) == pytest.approx(1 / 6 + SQ3 / 6 * tan)


def test_totals_of_all_48_ct_wirings_at_unity_power_factor() -> None:
    count: Counter[Fraction] = Counter()
    for clamps in itertools.permutations(PHASES):
        for directions in itertools.product((1, -1), repeat=3):
            total = sum(s.real for s in powers(clamps, directions)) / 3.0
            count[Fraction(total).limit_denominator(12)] += 1
    # Counted by hand from the closed forms; symmetrical, because turning all CTs changes the sign.
    halves = {1: 1, Fraction(2, 3): 3, Fraction(1, 2): 2, Fraction(1, 3): 9, Fraction(1, 6): 6}
    assert count == {**halves, **{-k: n for k, n in halves.items()}, 0: 6}


def test_current_and_apparent_power_are_never_wrong_by_place_or_direction() -> None:
    for clamps in itertools.permutations(PHASES):
        sizes = [abs(s) for s in powers(clamps, (1, -1, 1), 0.4)]
        np.testing.assert_allclose(sizes, 1.0, atol=1e-12)


def test_neutral_and_a_phase_exchanged_reads_230_400_400() -> None:
    leads = Leads(("L1", "N", "L3"), "L2", "neutral-swapped")
    levels = [abs(NET.input_voltage(leads, k)) for k in range(3)]
    np.testing.assert_allclose(levels, [SQ3, 1.0, SQ3], atol=1e-12)


@pytest.mark.parametrize("phi", [0.0, 0.5, 1.2])
def test_two_elements_on_three_wires_follow_the_two_wattmeter_formulas(phi: float) -> None:
    net = network(MeterSystem.THREE_PHASE_THREE_WIRE)
    leads = Leads(("L1", "L3"), "L2", "permuted")
    load = complex(math.cos(phi), math.sin(phi))
    # A balanced load of power 3 at unit phase voltage and unit current.
    elements = [
        3.0 * load * net.factor(leads, k, Clamp(own, 1), "L1L2L3")
        for k, own in enumerate(("L1", "L3"))
    ]
    assert elements[0].real == pytest.approx(SQ3 * math.cos(math.pi / 6 + phi))
    assert elements[1].real == pytest.approx(SQ3 * math.cos(math.pi / 6 - phi))
    assert sum(e.real for e in elements) == pytest.approx(3.0 * math.cos(phi))


def test_two_elements_measure_any_load_between_two_wires_rightly() -> None:
    net = network(MeterSystem.THREE_PHASE_THREE_WIRE)
    leads = Leads(("L1", "L3"), "L2", "permuted")
    for place in PHASES:
        total = sum(
            net.factor(leads, k, Clamp(own, 1), place) for k, own in enumerate(("L1", "L3"))
        )
        assert total == pytest.approx(1.0)


def test_three_wire_wirings_that_line_to_line_loads_tell_apart() -> None:
    """One line-to-line load leaves 12 classes of 4; all three in turn tell all 48."""
    net = network(MeterSystem.THREE_PHASE_THREE_WIRE)
    wirings = [
        (leads, tuple(Clamp(c, s) for c, s in zip(places, signs, strict=True)))
        for leads in lead_states(net.system)
        for places in itertools.permutations(("L1", "L3"))
        for signs in itertools.product((1, -1), repeat=2)
    ]
    assert len(wirings) == 48

    def classes(loads: tuple[str, ...]) -> Counter[int]:
        seen: Counter[tuple[complex, ...]] = Counter(
            tuple(
                complex(np.round(net.factor(leads, k, clamp, load), 6)) + 0.0
                for load in loads
                for k, clamp in enumerate(clamps)
            )
            for leads, clamps in wirings
        )
        return Counter(seen.values())

    assert classes(("L1", "L2", "L3")) == {1: 48}
    # Between L1 and L2 only the CT on L1 carries current.
    assert classes(("L1",)) == {4: 12}


def test_split_phase_totals() -> None:
    net = network(MeterSystem.SPLIT_PHASE)
    totals: Counter[float] = Counter()
    for leads in lead_states(net.system):
        if leads.kind != "permuted":
            continue
        for places in itertools.permutations(("L1", "L2")):
            for signs in itertools.product((1, -1), repeat=2):
                total = sum(
                    net.factor(leads, k, Clamp(c, s), "L1L2").real
                    for k, (c, s) in enumerate(zip(places, signs, strict=True))
                )
                totals[round(total, 9)] += 1
    assert totals == {1.0: 4, 0.0: 8, -1.0: 4}


def test_the_loaded_phase_sags_and_the_others_rise() -> None:
    sags = [NET.sag(RIGHT, k, "L1") for k in range(3)]
    assert sags[0] == pytest.approx(-1.0)
    # The neutral carries 0.4 of the loop resistance here: half of that lifts the other phases on
    # average, the reactance lifts one more than the other.
    assert (sags[1] + sags[2]) / 2 == pytest.approx(0.2)
    assert min(sags[1], sags[2]) > -0.05


def test_sag_against_a_circuit_solved_with_ohms_law() -> None:
    z_phase, z_neutral, amps = 0.6 * (1 + 0.6j) * 0.2, 0.4 * (1 + 0.6j) * 0.2, 8.0
    current = {"L2": amps * VOLTS["L2"] / 230.0}
    neutral = z_neutral * current["L2"]
    for k, name in enumerate(PHASES):
        there = VOLTS[name] - z_phase * current.get(name, 0j) - neutral
        change = abs(there) - 230.0
        assert change == pytest.approx(NET.sag(RIGHT, k, "L2") * 0.2 * amps, abs=0.01)
