"""Angles of currents from what a meter reports."""

from __future__ import annotations

import cmath
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.tui.phasors import NOMINAL_ANGLE, current_phasors, voltage_phasors

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
