"""Voltages and currents of the site, against a nodal solution written here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe_sim.site import (
    LoadParameters,
    Site,
    SiteParameters,
    SourceParameters,
    SupplyParameters,
)

NS = 1_000_000_000
STEADY = SupplyParameters(drift_v=0.0, phase_drift_v=0.0, neighbour_v=0.0)


def _site(
    *loads: LoadParameters,
    sources: tuple[SourceParameters, ...] = (),
    supply: SupplyParameters = STEADY,
    household: str = "off",
    seed: int = 1,
) -> Site:
    return Site(SiteParameters(supply, household, (0.0, 0.0, 0.0), loads, sources), seed)


watts = st.floats(100.0, 6000.0)


@given(watts, watts, watts)
def test_heaters_against_a_nodal_solution(first: float, second: float, third: float) -> None:
    loads = [
        LoadParameters(f"heater {p}", w, phases=p, resistive=True)
        for p, w in (("L1", first), ("L2", second), ("L3", third))
    ]
    state = _site(*loads).state(3 * NS)
    # Unknown potentials of L1, L2, L3, N at the board against the source's star point.
    angles = np.exp(-2j * np.pi / 3 * np.arange(3))
    source = 230.0 * (1.0 + np.array(STEADY.imbalance)) * angles
    conductance = np.array([first, second, third]) / 230.0**2
    matrix = np.zeros((4, 4), dtype=complex)
    currents = np.zeros(4, dtype=complex)
    for k in range(3):
        matrix[k, k] = 1.0 / STEADY.phase_ohm + conductance[k]
        matrix[k, 3] = matrix[3, k] = -conductance[k]
        currents[k] = source[k] / STEADY.phase_ohm
    matrix[3, 3] = 1.0 / STEADY.neutral_ohm + conductance.sum()
    potentials = np.linalg.solve(matrix, currents)
    expected = potentials[:3] - potentials[3]
    assert np.allclose(state.voltages, expected, rtol=0, atol=1e-6)
    assert np.allclose(state.currents["grid"], expected * conductance, rtol=0, atol=1e-6)


@given(st.integers(0, 10**6), st.sampled_from(["quiet", "normal", "busy"]))
def test_circuit_laws_hold_for_any_household(t_s: int, household: str) -> None:
    sources = (SourceParameters("pv", rated_va=9000.0, level=0.7),)
    site = _site(sources=sources, household=household, seed=t_s % 7)
    state = site.state(t_s * NS)
    flowing = np.array(state.currents["grid"])
    angles = np.exp(-2j * np.pi / 3 * np.arange(3))
    source = 230.0 * (1.0 + np.array(STEADY.imbalance)) * angles
    sagged = source - STEADY.phase_ohm * flowing - STEADY.neutral_ohm * flowing.sum()
    assert np.allclose(sagged, state.voltages, rtol=0, atol=1e-3)
    branches = [np.array(i) for name, i in state.currents.items() if name != "grid"]
    assert np.allclose(sum(branches), flowing, rtol=0, atol=1e-9)
    # A generator at power factor 1 against the direction of the arrow.
    power = np.array(state.voltages) * np.conj(state.currents["pv"])
    assert np.all(power.real < 0)
    assert np.allclose(power.imag, 0.0, atol=1e-6)


def test_loaded_phase_sags_and_the_others_rise() -> None:
    supply = SupplyParameters(
        phase_ohm=0.2 + 0j, neutral_ohm=0.1 + 0j, drift_v=0.0, phase_drift_v=0.0, neighbour_v=0.0
    )
    site = _site(supply=supply)
    before = np.abs(site.state(10 * NS).voltages)
    site.plug("L2", 2000.0, True, 11 * NS)
    state = site.state(12 * NS)
    change = np.abs(state.voltages) - before
    amps = abs(state.currents["grid"][1])
    # Ohm's law along the loaded phase, and half of the neutral's share on the others (their
    # voltages point 120 degrees away).
    assert change[1] == pytest.approx(-0.3 * amps, rel=1e-3)
    assert change[0] == pytest.approx(0.05 * amps, rel=2e-2)
    assert change[2] == pytest.approx(0.05 * amps, rel=2e-2)


def test_heater_is_within_its_tolerance_and_follows_the_voltage_squared() -> None:
    powers = []
    for nominal in (230.0, 207.0):
        supply = SupplyParameters(
            nominal_v=nominal, phase_ohm=0j, neutral_ohm=0j, imbalance=(0.0, 0.0, 0.0),
            drift_v=0.0, phase_drift_v=0.0, neighbour_v=0.0,
        )  # fmt: skip
        site = Site(SiteParameters(supply, "off", (0.0, 0.0, 0.0)), 3)
        site.plug("L1", 2000.0, True, 0)
        state = site.state(NS)
        powers.append((state.voltages[0] * state.currents["grid"][0].conjugate()).real)
    assert powers[0] == pytest.approx(2000.0, rel=0.05)
    # Nominal voltage is that of the site, so at its own nominal voltage it has its own power.
    assert powers[1] == pytest.approx(powers[0])
    sagging = _site(
        supply=SupplyParameters(drift_v=0.0, phase_drift_v=0.0, neighbour_v=0.0), seed=3
    )
    sagging.plug("L1", 2000.0, True, 0)
    state = sagging.state(NS)
    power = (state.voltages[0] * state.currents["grid"][0].conjugate()).real
    assert power == pytest.approx(powers[0] * (abs(state.voltages[0]) / 230.0) ** 2)


def test_heater_on_three_phases_shares_its_power() -> None:
    site = _site()
    site.plug("L1L2L3", 6000.0, True, 0)
    state = site.state(NS)
    amps = [abs(i) for i in state.currents["house"]]
    assert amps == pytest.approx([2000.0 / 230.0] * 3, rel=0.08)


def test_switching_takes_effect_at_its_instant_only() -> None:
    site = _site(LoadParameters("oven", 3000.0, phases="L1", feeder="kitchen", on=False))
    site.switch("oven", True, 5 * NS)
    site.switch("oven", False, 9 * NS)
    on = [t for t in range(12) if abs(site.state(t * NS).currents["kitchen"][0]) > 1.0]
    assert on == [5, 6, 7, 8]


@given(st.lists(st.integers(0, 7200 * 10), min_size=2, max_size=8))
def test_any_instant_is_the_same_in_any_order(tenths: list[int]) -> None:
    sources = (SourceParameters("hybrid", battery="zero-export", clouds=0.8),)
    instants = [t * NS // 10 for t in tenths]
    forward = _site(sources=sources, household="busy", seed=4)
    backward = _site(sources=sources, household="busy", seed=4)
    first = {t: forward.state(t).voltages for t in sorted(instants)}
    second = {t: backward.state(t).voltages for t in sorted(instants, reverse=True)}
    assert first == second


def test_zero_export_loop_holds_the_grid_near_zero() -> None:
    source = SourceParameters("hybrid", kind="none", rated_va=9000.0, battery="zero-export")
    load = LoadParameters("steady", 2400.0)
    site = _site(load, sources=(source,))
    state = site.state(60 * NS)
    power = [
        (v * i.conjugate()).real
        for v, i in zip(state.voltages, state.currents["grid"], strict=True)
    ]
    assert sum(power) == pytest.approx(0.0, abs=1.0)


def test_curtailment_and_battery_command() -> None:
    pv = SourceParameters("pv", rated_va=9000.0, level=0.8, clouds=0.0)
    hybrid = SourceParameters("hybrid", kind="none", rated_va=6000.0, battery="command")
    site = _site(sources=(pv, hybrid))
    site.curtail("pv", 0.1, 50 * NS)
    site.command_battery("hybrid", -1500.0, 50 * NS)
    assert sum(site.source_power_w("pv", 49 * NS)) == pytest.approx(7200.0, rel=0.02)
    assert sum(site.source_power_w("pv", 50 * NS)) == pytest.approx(900.0)
    assert sum(site.source_power_w("hybrid", 49 * NS)) == 0.0
    assert sum(site.source_power_w("hybrid", 50 * NS)) == pytest.approx(-1500.0)


@pytest.mark.parametrize("kind", ["pv", "wind", "hydro", "chp"])
def test_sources_stay_within_their_rating(kind: str) -> None:
    source = SourceParameters("g", kind=kind, rated_va=5000.0, clouds=1.0, level=0.7)  # type: ignore[arg-type]
    site = _site(sources=(source,))
    totals = [sum(site.source_power_w("g", t * NS)) for t in range(0, 7200, 7)]
    assert min(totals) >= 0.0
    assert max(totals) <= 5000.0
    assert max(totals) > 1000.0


@given(st.floats(0.1, 1.0), watts)
def test_a_source_counts_where_it_hangs(level: float, load_w: float) -> None:
    """Kirchhoff's current law at the board, with a source at each of its three places."""
    load = LoadParameters("stove", load_w, feeder="kitchen", resistive=True)

    def currents(**where: object) -> dict[str, np.ndarray]:
        roof = SourceParameters("roof", "pv", 5000.0, level=level, clouds=0.0, **where)  # type: ignore[arg-type]
        state = _site(load, sources=(roof,)).state(3 * NS)
        return {point: np.array(i) for point, i in state.currents.items()}

    board, before, behind = currents(), currents(before_meter=True), currents(feeder="kitchen")
    # Behind the feed-in meter it is part of the sum; in front of it, it is not.
    assert np.allclose(board["grid"], board["kitchen"] + board["roof"], atol=1e-9)
    assert np.allclose(before["grid"], before["kitchen"], atol=1e-9)
    # Behind another meter it is counted there too, and at the feed-in meter once.
    assert np.allclose(behind["grid"], behind["kitchen"], atol=1e-9)
    assert np.allclose(behind["kitchen"] - board["kitchen"], board["roof"], atol=1e-9)
    # The wires do not care who counts.
    assert np.allclose(board["roof"], before["roof"], atol=1e-9)
