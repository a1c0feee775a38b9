"""What a wrongly wired meter computes, against closed forms of balanced three-phase theory.

The factors follow from S_k = s U_v conj(I_c) with phasors 120 degrees apart; that two exchanged CTs
give a total of exactly zero at every power factor is a known result of meter testing (common
practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe_sim.site import (
    Ct,
    Instrument,
    InstrumentParameters,
    LoadParameters,
    MeterWiring,
    Site,
    SiteParameters,
    SupplyParameters,
)

STIFF = SupplyParameters(
    phase_ohm=0j, neutral_ohm=0j, imbalance=(0.0, 0.0, 0.0), drift_v=0.0, phase_drift_v=0.0,
    neighbour_v=0.0,
)  # fmt: skip
WATTS_EACH = 1000.0
H = math.sqrt(3.0) / 2.0


def ideal(wiring: MeterWiring, **more: object) -> InstrumentParameters:
    plain = {"accuracy_class": 0.0, "noise": False, "starting_a": 0.0, "skewed": False} | more
    return InstrumentParameters(wiring=wiring, **plain)  # type: ignore[arg-type]


def shown(
    wiring: MeterWiring, power_factor: float = 1.0, supply: SupplyParameters = STIFF, **more: object
) -> dict[str, float]:
    load = LoadParameters("load", 3 * WATTS_EACH, power_factor=power_factor)
    parameters = SiteParameters(supply, "off", (0.0, 0.0, 0.0), (load,))
    site = Site(parameters, 1)
    return Instrument(site, "grid", ideal(wiring, **more), 1, "m").readings(5_000_000_000)


def cts(*names: str) -> MeterWiring:
    """CTs by conductor, a minus sign for the wrong way round."""
    found = [Ct(name.lstrip("-"), name.startswith("-")) for name in names]
    return MeterWiring((found[0], found[1], found[2]))


@pytest.mark.parametrize(
    ("names", "p", "q"),
    [
        (("L1", "L2", "L3"), (1, 1, 1), (0, 0, 0)),
        (("-L1", "L2", "L3"), (-1, 1, 1), (0, 0, 0)),
        (("-L1", "-L2", "-L3"), (-1, -1, -1), (0, 0, 0)),
        (("L2", "L1", "L3"), (-0.5, -0.5, 1), (H, -H, 0)),
        (("-L2", "-L1", "L3"), (0.5, 0.5, 1), (-H, H, 0)),
        (("L2", "L1", "-L3"), (-0.5, -0.5, -1), (H, -H, 0)),
        (("L2", "L3", "L1"), (-0.5, -0.5, -0.5), (H, H, H)),
        (("L3", "L1", "L2"), (-0.5, -0.5, -0.5), (-H, -H, -H)),
        (("-L2", "-L3", "-L1"), (0.5, 0.5, 0.5), (-H, -H, -H)),
        (("none", "L2", "L3"), (0, 1, 1), (0, 0, 0)),
    ],
)
def test_phase_powers_at_unity_power_factor(
    names: tuple[str, ...], p: tuple[float, ...], q: tuple[float, ...]
) -> None:
    readings = shown(cts(*names))
    for k in range(3):
        assert readings[f"P_L{k + 1}"] / WATTS_EACH == pytest.approx(p[k], abs=1e-9)
        # Leads and lags: the current of L2 lags the voltage of L1 by 120 degrees.
        assert readings[f"Q_L{k + 1}"] / WATTS_EACH == pytest.approx(q[k], abs=1e-9)


power_factors = st.floats(0.3, 1.0)


def _total(names: tuple[str, ...], power_factor: float) -> float:
    return shown(cts(*names), power_factor)["P"] / (3 * WATTS_EACH)


@given(power_factors)
def test_two_cts_exchanged_show_nothing_at_every_power_factor(power_factor: float) -> None:
    assert _total(("L2", "L1", "L3"), power_factor) == pytest.approx(0.0, abs=1e-9)


@given(power_factors)
def test_totals_that_depend_on_the_power_factor(power_factor: float) -> None:
    tangent = math.tan(math.acos(power_factor))
    cyclic = _total(("L2", "L3", "L1"), power_factor)
    assert cyclic == pytest.approx(-0.5 - H * tangent, abs=1e-9)
    assert _total(("L3", "L1", "L2"), power_factor) == pytest.approx(-0.5 + H * tangent, abs=1e-9)
    assert _total(("-L2", "-L3", "-L1"), power_factor) == pytest.approx(-cyclic, abs=1e-9)
    assert _total(("-L2", "-L1", "L3"), power_factor) == pytest.approx(2 / 3, abs=1e-9)
    assert _total(("-L1", "L2", "L3"), power_factor) == pytest.approx(1 / 3, abs=1e-9)


@given(power_factors)
def test_current_and_apparent_power_survive_every_exchange(power_factor: float) -> None:
    readings = shown(cts("-L2", "L1", "L3"), power_factor)
    for phase in ("L1", "L2", "L3"):
        assert readings[f"I_{phase}"] == pytest.approx(WATTS_EACH / power_factor / 230.0)
        assert readings[f"S_{phase}"] == pytest.approx(WATTS_EACH / power_factor)


def test_wrong_phase_on_a_resistive_load_has_half_the_power_factor() -> None:
    assert abs(shown(cts("L2", "L1", "L3"))["PF_L1"]) == pytest.approx(0.5)


def test_ratio_and_angle_of_a_ct() -> None:
    wiring = MeterWiring((Ct("L1", ratio=0.5), Ct("L2", angle_deg=60.0), Ct("L3")))
    readings = shown(wiring)
    assert readings["P_L1"] == pytest.approx(500.0)
    assert readings["P_L2"] == pytest.approx(500.0)
    assert readings["Q_L2"] == pytest.approx(-WATTS_EACH * H)


def test_neutral_and_first_lead_exchanged_show_line_voltages() -> None:
    # The lead of L1 sits on N and the neutral input on L1: 230 V, then twice 400 V.
    wiring = MeterWiring(leads=("N", "L2", "L3"), neutral="L1")
    readings = shown(wiring)
    assert readings["V_L1"] == pytest.approx(230.0)
    assert readings["V_L2"] == pytest.approx(230.0 * math.sqrt(3.0))
    assert readings["V_L3"] == pytest.approx(230.0 * math.sqrt(3.0))


def test_open_lead_shows_no_voltage_and_no_power() -> None:
    readings = shown(MeterWiring(leads=("open", "L2", "L3")))
    assert readings["V_L1"] == pytest.approx(0.0)
    assert readings["P_L1"] == pytest.approx(0.0)
    assert readings["P"] == pytest.approx(2 * WATTS_EACH)


def test_open_neutral_on_balanced_voltages_looks_right() -> None:
    assert shown(MeterWiring(neutral="open"))["V_L1"] == pytest.approx(230.0)


def test_two_leads_on_one_conductor_have_no_voltage_between_them() -> None:
    readings = shown(MeterWiring(leads=("L1", "L1", "L3")))
    assert readings["V_L1L2"] == pytest.approx(0.0, abs=1e-9)
    assert readings["V_L2L3"] == pytest.approx(230.0 * math.sqrt(3.0))


def test_ct_on_neutral_sees_the_return_of_an_unbalanced_load() -> None:
    load = LoadParameters("heater", 1000.0, phases="L2", resistive=True)
    site = Site(SiteParameters(STIFF, "off", (0.0, 0.0, 0.0), (load,)), 1)
    readings = Instrument(site, "grid", ideal(cts("N", "L2", "L3")), 1, "m").readings(0)
    assert readings["I_L1"] == pytest.approx(1000.0 / 230.0)
    # The return current is opposite to that of L2 and so 60 degrees ahead of the voltage of L1.
    assert readings["P_L1"] == pytest.approx(500.0)
    assert readings["Q_L1"] == pytest.approx(-1000.0 * H)


def test_other_rotation_exchanges_the_two_cyclic_shifts() -> None:
    turned = replace(STIFF, rotation=-1)
    assert shown(cts("L2", "L3", "L1"), supply=turned)["Q_L1"] == pytest.approx(-WATTS_EACH * H)


def test_export_positive_meter_turns_its_signs_but_not_its_counters() -> None:
    readings = shown(MeterWiring(), positive="export")
    assert readings["P"] == pytest.approx(-3 * WATTS_EACH)
    plain = shown(MeterWiring())
    assert readings["E_import"] == pytest.approx(plain["E_import"])
