"""Other systems than four wires: two elements on three wires, two legs, one phase."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe_sim.site import (
    THREE_WIRE,
    Ct,
    Instrument,
    InstrumentParameters,
    LoadParameters,
    MeterWiring,
    Site,
    SiteParameters,
    SupplyParameters,
)

NS = 1_000_000_000
AMPS = 5.0


def _shown(
    wiring: MeterWiring, load: LoadParameters, nominal_v: float = 230.0, system: str = "3p"
) -> dict[str, float]:
    supply = SupplyParameters(
        nominal_v, 0j, 0j, (0.0, 0.0, 0.0), 0.0, 0.0, 0.0, system=system  # type: ignore[arg-type]
    )  # fmt: skip
    site = Site(SiteParameters(supply, "off", (0.0, 0.0, 0.0), (load,)), 1)
    parameters = InstrumentParameters(
        wiring=wiring, accuracy_class=0.0, noise=False, starting_a=0.0, skewed=False
    )
    return Instrument(site, "grid", parameters, 1, "m").readings(NS)


def _motor(phi_deg: float) -> LoadParameters:
    factor = math.cos(math.radians(phi_deg))
    return LoadParameters("motor", 3 * 230.0 * AMPS * factor, power_factor=factor)


@given(st.floats(0.0, 85.0))
def test_two_wattmeters_follow_the_textbook(phi_deg: float) -> None:
    # Two-wattmeter method: P1 = U I cos(30 + phi), P2 = U I cos(30 - phi), U line to line; the sum
    # is sqrt(3) U I cos(phi).
    shown = _shown(THREE_WIRE, _motor(phi_deg))
    full = 230.0 * math.sqrt(3.0) * AMPS
    assert shown["P_L1"] == pytest.approx(full * math.cos(math.radians(30 + phi_deg)), abs=1e-3)
    assert shown["P_L3"] == pytest.approx(full * math.cos(math.radians(30 - phi_deg)), abs=1e-3)
    assert shown["P_L2"] == pytest.approx(0.0, abs=1e-9)
    expected = math.sqrt(3.0) * full * math.cos(math.radians(phi_deg))
    assert shown["P"] == pytest.approx(expected, abs=1e-3)


@given(st.floats(0.0, 85.0))
def test_exchanged_cts_of_two_elements_show_nothing(phi_deg: float) -> None:
    # CT1 on L3 and CT3 on L1: U I (cos(270 + phi) + cos(90 + phi)) = 0 for every angle.
    wiring = MeterWiring((Ct("L3"), Ct("none"), Ct("L1")), neutral="L2")
    assert _shown(wiring, _motor(phi_deg))["P"] == pytest.approx(0.0, abs=1e-3)


def test_split_phase_load_between_the_legs() -> None:
    load = LoadParameters("oven", 2400.0, phases="L1L2", resistive=True)
    shown = _shown(MeterWiring(), load, 120.0, "split")
    assert shown["V_L1L2"] == pytest.approx(240.0)
    assert shown["V_L3"] == pytest.approx(0.0)
    assert shown["I_L1"] == pytest.approx(10.0)
    assert shown["P_L1"] == pytest.approx(1200.0)
    assert shown["P"] == pytest.approx(2400.0)


def test_split_phase_totals_of_wrong_cts() -> None:
    # Totals of balanced legs: one CT reversed or both exchanged 0 and -1 times the truth.
    load = LoadParameters("oven", 2400.0, phases="L1L2", resistive=True)
    one = MeterWiring((Ct("L1"), Ct("L2", True), Ct("L3")))
    exchanged = MeterWiring((Ct("L2"), Ct("L1"), Ct("L3")))
    assert _shown(one, load, 120.0, "split")["P"] == pytest.approx(0.0, abs=1e-9)
    assert _shown(exchanged, load, 120.0, "split")["P"] == pytest.approx(-2400.0)


def test_single_phase_supply_has_one_voltage() -> None:
    load = LoadParameters("kettle", 2300.0, phases="L1", resistive=True)
    shown = _shown(MeterWiring(), load, 230.0, "1p")
    assert [shown[f"V_{p}"] for p in ("L1", "L2", "L3")] == pytest.approx([230.0, 0.0, 0.0])
    assert shown["P"] == pytest.approx(2300.0)
