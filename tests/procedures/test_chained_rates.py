"""All rates in one go: nobody is missed, and it costs what it must."""

from __future__ import annotations

import pytest

from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.chained_rates import anybody_at, chains_of
from busprobe.procedures.find_settings import COMMON_SETTINGS, find_settings
from busprobe.wire import pdu
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.ports.virtual import run_virtual
from tests.simulated_buses import MS, simulated_bus, station

RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
QUIET = LineParameters(float_rate_hz=0.0)
REQUEST = pdu.read_registers(3, 0, 2)


def at(settings: LineSettings, address: int = 1, **habits: object) -> StationParameters:
    return station(address, node=NodeParameters(10.0, settings=settings), **habits)


def test_chains_go_from_slow_to_fast_in_one_format() -> None:
    chains = chains_of(COMMON_SETTINGS)
    assert sorted(s for c in chains for s in map(str, c.settings)) == sorted(
        map(str, COMMON_SETTINGS)
    )
    for chain in chains:
        assert len({s.parity for s in chain.settings}) == 1
        assert list(chain.settings) == sorted(chain.settings, key=lambda s: s.baud)


def test_cost_of_an_absent_address_is_the_bound() -> None:
    chain = chains_of(LineSettings(baud) for baud in RATES)[0]
    # Eight requests with t3.5 each and one listening time of 100 ms, computed: 0.295 s.
    assert chain.bound_s(100 * MS) == pytest.approx(0.295, abs=0.0005)
    bus = simulated_bus(line=QUIET)
    assert not run_virtual(anybody_at(bus, 1, REQUEST, chain.settings, 100 * MS))
    assert bus.now() / 1e9 <= 1.10 * chain.bound_s(100 * MS)


@pytest.mark.parametrize("baud", RATES)
@pytest.mark.parametrize("turnaround_ms", [5.0, 20.0, 50.0, 95.0])
def test_a_device_at_any_rate_is_heard(baud: int, turnaround_ms: float) -> None:
    for parity in (Parity.NONE, Parity.EVEN):
        bus = simulated_bus(at(LineSettings(baud, parity), turnaround_ms=turnaround_ms), line=QUIET)
        chain = chains_of(LineSettings(b, parity) for b in RATES)[0]
        assert run_virtual(anybody_at(bus, 1, REQUEST, chain.settings, 100 * MS))


@pytest.mark.parametrize("settings", COMMON_SETTINGS, ids=str)
def test_settings_are_found_and_left_in_force(settings: LineSettings) -> None:
    # The simulated devices do not check parity, so that only marks tell 8E1 from 8O1.
    port = PortParameters(reports_marks=True)
    bus = simulated_bus(at(settings, 2), at(settings, 10), line=QUIET, port=port)
    found = run_virtual(find_settings(bus))
    assert found.best == settings
    assert bus.settings == settings
    assert found.answered[settings] == (2, 10)


def test_two_groups_of_devices_are_both_found() -> None:
    other = LineSettings(19200, Parity.EVEN)
    bus = simulated_bus(at(LineSettings(), 1), at(LineSettings(), 3), at(other, 2), line=QUIET)
    found = run_virtual(find_settings(bus))
    assert found.answered[LineSettings()] == (1, 3)
    assert found.answered[other] == (2,)
    assert found.best == LineSettings()


def test_a_device_that_waits_for_silence_is_found_by_asking_each() -> None:
    # It cancels its answer when it hears the later, faster requests.
    polite = at(LineSettings(4800), listens_first=True, turnaround_ms=60.0)
    bus = simulated_bus(polite, line=QUIET)
    assert run_virtual(find_settings(bus)).best == LineSettings(4800)


def test_chaining_saves_most_of_the_time() -> None:
    bus = simulated_bus(at(LineSettings()), line=QUIET)
    run_virtual(find_settings(bus))
    chained = bus.now()
    each = sum(7 * (s.duration_ns(8) + 150 * MS) for s in COMMON_SETTINGS)
    assert chained < 0.5 * each
