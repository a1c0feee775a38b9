"""The shipped scenarios: all load, all run, mistakes are told with their place."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from busprobe.link.base import Link
from busprobe.model.errors import InputError
from busprobe.model.line import parse_link
from busprobe.wire.crc import is_intact, with_crc
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import (
    SimulatedBus,
    list_scenarios,
    load_scenario,
    open_simulated,
    scenario_names,
)

NS = 1_000_000_000
READ_MARKER = struct.pack(">BHH", 3, 40000, 2)
SUNS = bytes.fromhex("5375 6E53")
EXPECTED = {
    "healthy",
    "both-on-one-address",
    "both-identical",
    "reversed-ct",
    "ct-on-wrong-phase",
    "silent-meter",
    "noisy-line",
    "swapped-pair",
    "echo-adapter",
    "no-sunspec-meter",
    "late-answers",
    "foreign-master",
    "three-on-one-address",
    "demo",
}


async def _ask(link: Link, address: int, pdu: bytes, wait_s: float = 0.5) -> bytes:
    await link.send(with_crc(bytes([address]) + pdu))
    end = link.now() + round(wait_s * NS)
    heard = b""
    while chunk := await link.receive(end):
        heard += chunk.data
    return heard


def ask(link: Link, address: int, pdu: bytes, wait_s: float = 0.5) -> bytes:
    return run_virtual(_ask(link, address, pdu, wait_s))


def start(name: str) -> tuple[SimulatedBus, Link]:
    bus = load_scenario(name).build()
    return bus, bus.open_link()


def read(link: Link, address: int, register: int, count: int, function: int = 3) -> bytes:
    heard = ask(link, address, struct.pack(">BHH", function, register, count))
    assert is_intact(heard)
    assert heard[:3] == bytes((address, function, 2 * count))
    return heard[3:-2]


def test_every_scenario_asked_for_is_there() -> None:
    found = list_scenarios()
    assert {scenario.name for scenario in found} >= EXPECTED
    assert all(scenario.title and scenario.story for scenario in found)


@pytest.mark.parametrize("name", scenario_names())
def test_every_scenario_runs_the_same_way_twice(name: str) -> None:
    heard = []
    for _ in range(2):
        _, link = start(name)
        heard.append([ask(link, address, READ_MARKER) for address in (1, 2, 5, 10)])
    assert heard[0] == heard[1]
    assert any(heard[0])


@pytest.mark.parametrize("address", [1, 2, 10])
def test_healthy_devices_answer_cleanly(address: int) -> None:
    _, link = start("healthy")
    assert read(link, address, 40000, 2) == SUNS


def test_unknown_scenario_names_its_neighbours() -> None:
    with pytest.raises(InputError) as caught:
        load_scenario("helthy")
    assert "healthy" in caught.value.next_step


def test_every_mistake_is_told_with_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(
        "title: Wrong\n"
        "story: Nothing fits.\n"
        "line: {settings: 9600 7N1}\n"
        "devices:\n"
        "  - name: meter\n"
        "    address: 248\n"
        "    sunspec: {models: [204]}\n"
        "    colour: red\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        load_scenario(str(path))
    lines = caught.value.cause.splitlines()
    assert [line.split(":")[1] for line in lines] == ["3", "6", "8"]
    assert "wrong.yaml:6:14" in lines[1]
    assert "colour" in lines[2]


def test_parts_that_do_not_fit_together_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "wrong.yaml"
    path.write_text(
        "title: Wrong\nstory: Nothing fits.\ndevices:\n"
        "  - {name: m, address: 1, position_m: 90, sunspec: {}, measures: {point: pond}}\n"
        "schedule: [{at_s: 1, load: kettle, on: true}]\n",
        encoding="utf-8",
    )
    with pytest.raises(InputError) as caught:
        load_scenario(str(path))
    for word in ("pond", "behind the end", "kettle"):
        assert word in caught.value.cause


def test_another_seed_is_another_day_at_the_same_site() -> None:
    shown = []
    for seed in (1, 2):
        bus = load_scenario("healthy", seed).build()
        shown.append(read(bus.open_link(), 1, 40072, 20))
    assert shown[0] != shown[1]


def test_heater_appears_at_the_meter_on_its_phase() -> None:
    bus, link = start("demo")

    def phase_watts() -> list[float]:
        # Model 213 behind a common model of 65 registers: WphA is 30 registers behind its ID.
        return list(struct.unpack(">3f", read(link, 2, 40069 + 30, 6)))

    before = phase_watts()
    bus.hands.plug("L1", 2000.0, True, link.now())
    ask(link, 99, READ_MARKER, 2.0)
    on_first = phase_watts()
    bus.hands.plug("L1", 2000.0, False, link.now())
    bus.hands.plug("L2", 2000.0, True, link.now())
    ask(link, 99, READ_MARKER, 2.0)
    on_second = phase_watts()
    assert on_first[0] - before[0] == pytest.approx(2000.0, abs=160.0)
    # The CT of L2 is reversed.
    assert on_second[1] - before[1] == pytest.approx(-2000.0, abs=160.0)


def test_duplicates_are_damaged_or_differ_where_the_serial_numbers_do() -> None:
    _, link = start("both-on-one-address")
    read_common = struct.pack(">BHH", 3, 40002, 66)
    heard = {ask(link, 1, read_common, 1.0) for _ in range(12)}
    damaged = [answer for answer in heard if not is_intact(answer)]
    serials = {s for s in (b"TF30-118204", b"TF30-120977") if any(s in a for a in heard)}
    assert damaged or len(serials) == 2


def test_silent_meter_answers_at_its_own_settings() -> None:
    bus, link = start("silent-meter")
    assert ask(link, 2, READ_MARKER) == b""
    truth = next(device for device in bus.truth.devices if device.address == 2)
    assert str(truth.settings) == "19200 8E1"
    run_virtual(link.configure(truth.settings))
    assert read(link, 2, 40000, 2) == SUNS


def test_echo_comes_first() -> None:
    _, link = start("echo-adapter")
    heard = ask(link, 1, READ_MARKER)
    request = with_crc(b"\x01" + READ_MARKER)
    assert heard.startswith(request)
    assert heard[len(request) :][3:7] == SUNS


def test_swapped_pair_is_silent_and_late_answers_are_late() -> None:
    _, link = start("swapped-pair")
    assert ask(link, 2, READ_MARKER) == b""
    _, link = start("late-answers")
    quick = [bool(ask(link, 10, READ_MARKER, 0.3)) for _ in range(12)]
    assert True in quick
    assert False in quick


def test_foreign_master_is_heard_without_asking() -> None:
    _, link = start("foreign-master")

    async def listen() -> bytes:
        heard = b""
        while chunk := await link.receive(4 * NS):
            heard += chunk.data
        return heard

    heard = run_virtual(listen())
    assert heard.count(with_crc(bytes.fromhex("01 03 9C 88 00 32"))) >= 3


def test_meter_without_sunspec_reads_by_its_own_map() -> None:
    bus, link = start("no-sunspec-meter")
    assert ask(link, 5, READ_MARKER)[1:3] == b"\x83\x01"
    volts = struct.unpack(">3H", read(link, 5, 0, 3, function=4))
    assert all(2200 < v < 2400 for v in volts)
    assert str(bus.settings) == "9600 8E1"


def test_wiring_truth_follows_from_the_devices() -> None:
    bus, _ = start("demo")
    wrong = [device for device in bus.truth.devices if not device.wiring.right]
    assert [device.address for device in wrong] == [2]
    assert wrong[0].wiring.cts[1].reversed
    assert {fault.code for fault in bus.truth.faults} == {"duplicate-address", "ct-reversed"}


def test_link_argument_opens_a_scenario() -> None:
    link, bus = open_simulated(parse_link("sim:healthy"), pace="virtual")
    assert bus.name == "healthy"
    assert link.endpoint.argument == "sim:healthy"
    assert read(link, 1, 40000, 2) == SUNS


async def test_real_time_answers_as_virtual_time_does() -> None:
    bus = load_scenario("healthy").build()
    link = bus.open_link("real")
    start_ns = link.now()
    heard = await _ask(link, 1, READ_MARKER, 0.15)
    assert heard == with_crc(b"\x01\x03\x04" + SUNS)
    assert link.now() - start_ns >= 0.15 * NS
    await link.close()
