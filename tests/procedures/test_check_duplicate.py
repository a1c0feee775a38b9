"""The duplicate check on simulated buses: the verdict, what it costs, and its manners."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.duplicate import duplicate_finding
from busprobe.model.line import LineSettings
from busprobe.procedures.check_duplicate import background_of, check_duplicate
from busprobe.procedures.progress import Progress
from busprobe.wire import pdu
from busprobe_sim.ports.virtual import run_virtual
from diagnosis.duplicate.drawn_buses import ADDRESS, NEIGHBOUR, SINGLE, DrawnBus, draw_bus
from simulated_buses import Registers, frames_asked, simulated_bus, station

MS = 1_000_000
# Classes whose buses can be decided; the rest is for the benchmark.
DECIDED = {
    "clean": "single",
    "noisy, 0.2-1 bursts/s": "single",
    "echo": "single",
    "late": "single",
    "least gap": "single",
    "last byte cut or late": "single",
    "drops requests": "single",
    "pause in the answer": "single",
    "different models": "duplicate",
    "apart": "duplicate",
}
SEEDS = range(7_000_000, 7_000_004)


def checked(bus: DrawnBus):  # type: ignore[no-untyped-def]
    """The verdict on a drawn bus."""
    return run_virtual(check_duplicate(bus.bus, ADDRESS, identity=bus.identity))


@pytest.mark.parametrize("name", DECIDED)
def test_classes(name: str) -> None:
    for seed in SEEDS:
        bus = draw_bus(name, seed)
        verdict = checked(bus)
        # On a noisy bus "undecided" is honest; the opposite never is.
        allowed = {DECIDED[name], "undecided"}
        assert verdict.verdict in allowed, seed
        assert bus.bus.now() < 40_000 * MS
        if name not in ("noisy, 0.2-1 bursts/s", "echo"):
            assert verdict.verdict == DECIDED[name], seed


@pytest.mark.parametrize("name", ["near and far", "three devices", "two, no bias", "both abort"])
def test_collisions_are_never_called_single(name: str) -> None:
    for seed in SEEDS:
        bus = draw_bus(name, seed)
        verdict = checked(bus)
        if bus.speakers > 1:
            assert verdict.verdict != "single", seed


def test_serial_numbers_of_devices_that_answer_one_after_the_other() -> None:
    bus = next(b for b in (draw_bus("apart", s) for s in SEEDS) if b.serials)
    verdict = checked(bus)
    assert set(verdict.serials) == set(bus.serials)
    finding = duplicate_finding(verdict, None)
    assert finding is not None
    assert all(serial in finding.cause for serial in bus.serials)
    assert "one answers after the other" in finding.cause
    assert finding.caution


@pytest.mark.parametrize("name", [*DECIDED, "equal, close", "near and far", "no bias"])
def test_only_reads_and_never_address_0(name: str) -> None:
    bus = draw_bus(name, 7_000_100)
    checked(bus)
    requests = frames_asked(bus.line.log)
    assert requests
    assert {data[0] for data in requests} == {ADDRESS}
    assert {data[1] for data in requests} <= {3, 4}
    assert all(len(data) == 8 for data in requests)


def test_an_address_that_nobody_has_is_silent() -> None:
    bus = simulated_bus(station(7))
    verdict = run_virtual(check_duplicate(bus, 9))
    assert verdict.verdict == "silent"
    assert verdict.exchanges == 4
    assert duplicate_finding(verdict, None) is None


def test_a_device_that_refuses_all_registers_is_single() -> None:
    bus = simulated_bus(station(7), servers={0: Registers(highest=-1)})
    verdict = run_virtual(check_duplicate(bus, 7))
    assert verdict.verdict == "single"


def test_two_plain_devices_without_any_map_are_a_duplicate() -> None:
    bus = simulated_bus(
        station(7, turnaround_ms=20.0),
        station(7, turnaround_ms=90.0),
        servers={0: Registers(0x1234), 1: Registers(0x4321)},
    )
    assert run_virtual(check_duplicate(bus, 7)).verdict == "duplicate"


def test_progress_tells_what_is_asked() -> None:
    bus = simulated_bus(station(7))
    told: list[Progress] = []
    verdict = run_virtual(check_duplicate(bus, 7, observe=told.append))
    assert len(told) == verdict.exchanges
    assert "reading the SunSpec mark" in told[0].text


def test_the_same_seed_gives_the_same_verdict() -> None:
    assert checked(draw_bus("near and far", 5)) == checked(draw_bus("near and far", 5))


def test_the_background_is_that_of_the_soundest_other_address() -> None:
    bus = simulated_bus(station(1), station(NEIGHBOUR))
    heard = [
        run_virtual(
            bus.exchange(a, pdu.read_registers(3, 0, 4), listen_ns=100 * MS, gap_ns=10 * MS)
        )
        for a in (1, NEIGHBOUR, 3) * 4
    ]
    background = background_of(heard, 1, LineSettings())
    assert (background.answers, background.damaged) == (4, 0)
    # Asked at other settings they say nothing about this line.
    assert background_of(heard, 1, LineSettings(19200)).answers == 0


def test_every_single_class_is_drawn_with_one_device() -> None:
    for name in SINGLE:
        assert draw_bus(name, 1).devices == 1
