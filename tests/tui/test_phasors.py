"""Angles of currents from what a meter reports."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.wiring import CtWiring, Explanation, VoltageWiring
from busprobe.tui.phasors import (
    NOMINAL_ANGLE,
    as_it_should_be,
    as_wired,
    current_phasors,
    voltage_phasors,
)

PHASES = ("L1", "L2", "L3")


@given(
    st.sampled_from(PHASES),
    st.floats(0.1, 100.0),
    st.floats(-179.0, 179.0),
)
def test_the_angle_is_that_of_the_complex_current(
    phase: str, current_a: float, lag_deg: float
) -> None:
    # S = U I*, so I = (S / U)*: computed here with complex numbers.
    voltage = cmath.rect(230.0, math.radians(NOMINAL_ANGLE[phase]))
    current = cmath.rect(current_a, math.radians(NOMINAL_ANGLE[phase] - lag_deg))
    power = voltage * current.conjugate()
    found = current_phasors(
        {
            f"V_{phase}": 230.0, f"I_{phase}": current_a,
            f"P_{phase}": power.real, f"Q_{phase}": power.imag,
        }
    )  # fmt: skip
    assert len(found) == 1
    drawn = cmath.rect(found[0].magnitude, math.radians(found[0].angle_deg))
    assert abs(drawn - current) < 1e-6 * current_a


@pytest.mark.parametrize(("power_w", "angle_deg"), [(230.0, 0.0), (-230.0, 180.0), (115.0, -60.0)])
def test_without_reactive_power_the_angle_follows_from_the_power_factor(
    power_w: float, angle_deg: float
) -> None:
    found = current_phasors({"V_L1": 230.0, "I_L1": 1.0, "P_L1": power_w})
    assert found[0].angle_deg == pytest.approx(angle_deg)


def test_what_is_not_measured_is_not_drawn() -> None:
    assert current_phasors({"I_L1": 1.0}) == []
    assert current_phasors({"I_L1": 0.0, "P_L1": 0.0, "V_L1": 230.0}) == []
    assert voltage_phasors({"V_L1": 0.0, "V_L3": 229.0}) == [
        voltage_phasors({"V_L3": 229.0})[0],
    ]


# -- as wired, and as it should be ----------------------------------------------------------


def wiring(
    cts: tuple[CtWiring, ...],
    leads: tuple[str, str, str] = ("L1", "L2", "L3"),
    neutral: str = "N",
) -> Explanation:
    volts = tuple(VoltageWiring(p, lead) for p, lead in zip(PHASES, leads, strict=True))
    return Explanation(0.9, cts, volts, neutral, "")


STRAIGHT = tuple(CtWiring(p, p, "forward", 1.0) for p in PHASES)


def site(cts: tuple[CtWiring, ...], leads: tuple[str, str, str]) -> dict[str, float]:
    """What a meter wired like this reports of 230 V with 4, 6 and 8 A lagging by 30°."""
    volts = {p: cmath.rect(230.0, math.radians(a)) for p, a in NOMINAL_ANGLE.items()}
    amps = {
        p: cmath.rect(size, math.radians(NOMINAL_ANGLE[p] - 30.0))
        for p, size in zip(PHASES, (4.0, 6.0, 8.0), strict=True)
    }
    quantities = {}
    for ct, lead in zip(cts, leads, strict=True):
        current = amps[ct.conductor] * (ct.ratio or 1.0)
        current = -current if ct.direction == "reversed" else current
        # IEEE 1459, section 3: complex power of a phase, S = U times I conjugate.
        power = volts[lead] * current.conjugate()
        quantities[f"V_{ct.input}"], quantities[f"I_{ct.input}"] = 230.0, abs(current)
        quantities[f"P_{ct.input}"], quantities[f"Q_{ct.input}"] = power.real, power.imag
    return quantities


@pytest.mark.parametrize("leads", [("L1", "L2", "L3"), ("L2", "L1", "L3"), ("L3", "L1", "L2")])
@pytest.mark.parametrize("order", [("L1", "L2", "L3"), ("L2", "L1", "L3"), ("L3", "L1", "L2")])
@pytest.mark.parametrize("reversed_input", [None, "L1", "L3"])
def test_whatever_the_wiring_the_right_picture_is_the_site_itself(
    leads: tuple[str, str, str], order: tuple[str, str, str], reversed_input: str | None
) -> None:
    cts = tuple(
        CtWiring(p, conductor, "reversed" if p == reversed_input else "forward", 1.0)
        for p, conductor in zip(PHASES, order, strict=True)
    )
    voltages, currents = as_it_should_be(site(cts, leads), wiring(cts, leads))
    assert [(v.phase, v.angle_deg) for v in voltages] == list(NOMINAL_ANGLE.items())
    expected = zip(PHASES, (4.0, 6.0, 8.0), strict=True)
    for current, (phase, size) in zip(currents, expected, strict=True):
        assert current.phase == phase
        assert current.magnitude == pytest.approx(size)
        off = (current.angle_deg - (NOMINAL_ANGLE[phase] - 30.0) + 180.0) % 360.0 - 180.0
        assert off == pytest.approx(0.0, abs=1e-6)


def test_as_wired_shows_a_reversed_ct_against_its_voltage() -> None:
    cts = (STRAIGHT[0], CtWiring("L2", "L2", "reversed", 1.0), STRAIGHT[2])
    quantities = site(cts, ("L1", "L2", "L3"))
    _, currents = as_wired(quantities, wiring(cts))
    turned = {c.phase: c.angle_deg for c in currents}
    assert turned["L1"] == pytest.approx(-30.0)
    assert turned["L2"] == pytest.approx(30.0)


def test_a_wrong_ratio_is_put_right_and_a_dead_ct_leaves_its_conductor_empty() -> None:
    cts = (CtWiring("L1", "L1", "forward", 0.5), CtWiring("L2", "none", "forward", None),
           STRAIGHT[2])  # fmt: skip
    quantities = site(STRAIGHT, ("L1", "L2", "L3")) | {"I_L1": 2.0, "I_L2": 0.0}
    _, currents = as_it_should_be(quantities, wiring(cts))
    assert [(c.phase, c.magnitude) for c in currents] == [("L1", 4.0), ("L3", 8.0)]


def test_an_open_lead_has_no_voltage_and_a_neutral_on_a_phase_turns_them() -> None:
    quantities = site(STRAIGHT, ("L1", "L2", "L3"))
    voltages, _ = as_wired(quantities, wiring(STRAIGHT, ("open", "L2", "L3")))
    assert [v.phase for v in voltages] == ["L2", "L3"]
    # The neutral lead on L1: L2 and L3 are measured against L1, 30 degrees off their stars.
    voltages, _ = as_wired(quantities, wiring(STRAIGHT, ("L1", "L2", "L3"), "L1"))
    assert [round(v.angle_deg) for v in voltages] == [-150, 150]
