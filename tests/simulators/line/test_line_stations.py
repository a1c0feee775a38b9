"""Habits of device firmware on the line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.model.line import LineSettings, Parity
from busprobe.wire.crc import with_crc
from busprobe_sim.line.parameters import (
    DeviceFraming,
    MasterParameters,
    NodeParameters,
    OnOtherRequest,
    StationParameters,
)
from busprobe_sim.line.station import silence_ns
from tests.simulators.line.line_bench import MS, Registers, answer, ask, heard, make, read, station

TOLERANT = DeviceFraming.TOLERANT


@pytest.mark.parametrize(
    ("form", "expected_us"),
    [
        # Modbus over Serial Line V1.02, section 2.5.1.1: 3.5 characters of 11 bits, and 1.750 ms
        # above 19200 Bd.
        (LineSettings(1200, Parity.EVEN), 32083.3),
        (LineSettings(9600, Parity.EVEN), 4010.4),
        (LineSettings(19200, Parity.EVEN), 2005.2),
        (LineSettings(38400, Parity.EVEN), 1750.0),
        (LineSettings(115200), 1750.0),
    ],
)
def test_silence_that_ends_a_frame(form: LineSettings, expected_us: float) -> None:
    assert silence_ns(form) / 1e3 == pytest.approx(expected_us, abs=0.1)


@pytest.mark.parametrize(("gap_ms", "strict_hears"), [(0.3, False), (3.0, False), (3.8, True)])
def test_strict_framing_loses_a_request_that_follows_too_soon(
    gap_ms: float, strict_hears: bool
) -> None:
    # Clients that leave no gap of t3.5 (3.646 ms at 9600 8N1) lose the next device that frames by
    # silence, and only such devices.
    bus, port, _ = make(station(1), station(2), station(3, framing=TOLERANT))
    for address, hears in ((2, strict_hears), (3, True)):
        port.write(port.now_ns, read(1))
        first = port.next_arrival(port.now_ns + 100 * MS)
        assert first is not None
        assert first.data == answer(1)
        port.write(bus.log[-1].t_end_ns + round(gap_ms * MS), read(address))
        second = port.next_arrival(port.now_ns + 100 * MS)
        assert (second is not None) == hears
        port.next_arrival(port.now_ns + 50 * MS)


def test_a_tolerant_device_finds_its_request_behind_junk() -> None:
    _, port, devices = make(station(1, framing=TOLERANT), station(2))
    assert heard(ask(port, b"\x00\xff\x13" + read(1))) == answer(1)
    assert ask(port, b"\x00" + read(2)) == []
    # Behind another's request too.
    assert heard(ask(port, read(7) + read(1))) == answer(1)
    assert [d.heard_requests for d in devices] == [2, 0]


@pytest.mark.parametrize("framing", list(DeviceFraming))
def test_damaged_requests_are_not_answered(framing: DeviceFraming) -> None:
    _, port, devices = make(station(1, framing=framing))
    request = bytearray(read(1))
    request[4] ^= 0x10
    assert ask(port, bytes(request)) == []
    assert ask(port, read(1)[:-1]) == []
    assert devices[0].heard_requests == 0


@pytest.mark.parametrize("framing", list(DeviceFraming))
def test_turn_around_is_counted_from_the_end_of_the_request(framing: DeviceFraming) -> None:
    bus, port, _ = make(station(1, turnaround_ms=30.0, framing=framing))
    ask(port, read(1))
    request, reply = bus.log
    assert reply.t_ns - request.t_end_ns == pytest.approx(30 * MS, abs=3)


def test_turn_around_spreads_over_the_loop_time() -> None:
    device = replace(station(1, turnaround_ms=5.0), loop_ms=10.0)
    bus, port, _ = make(device)
    for _ in range(60):
        ask(port, read(1), 40.0)
    waits = [(b.t_ns - a.t_end_ns) / MS for a, b in zip(bus.log[::2], bus.log[1::2], strict=True)]
    assert 5.0 <= min(waits) < 6.5
    assert 13.5 < max(waits) <= 15.001


def test_a_device_that_is_faster_than_the_silence_answers_after_it() -> None:
    bus, port, _ = make(station(1, turnaround_ms=0.0))
    ask(port, read(1))
    wait = bus.log[1].t_ns - bus.log[0].t_end_ns
    assert silence_ns(LineSettings()) <= wait < silence_ns(LineSettings()) + MS


@pytest.mark.parametrize(("gap_ms", "answers"), [(5.0, False), (20.0, True)])
def test_minimum_gap_after_other_traffic(gap_ms: float, answers: bool) -> None:
    bus, port, _ = make(station(1), station(2, min_gap_ms=10.0))
    port.write(0, read(1))
    assert port.next_arrival(100 * MS) is not None
    port.write(bus.log[-1].t_end_ns + round(gap_ms * MS), read(2))
    assert (port.next_arrival(port.now_ns + 100 * MS) is not None) == answers


@pytest.mark.parametrize("habit", list(OnOtherRequest))
def test_a_pending_reply_when_another_request_is_heard(habit: OnOtherRequest) -> None:
    _, port, _ = make(station(1, turnaround_ms=80.0, on_other_request=habit), station(2))
    assert ask(port, read(1), 40.0) == []
    data = heard(ask(port, read(2), 100.0))
    late = answer(1) if habit is OnOtherRequest.SEND else b""
    assert data == answer(2) + late


def test_a_device_that_listens_first_is_hidden_by_a_faster_one() -> None:
    _, port, devices = make(station(1, 10.0), station(1, 13.0, listens_first=True))
    for _ in range(5):
        assert heard(ask(port, read(1))) == answer(1)
    assert [d.heard_requests for d in devices] == [5, 5]
    _, alone, _ = make(station(1, 13.0, listens_first=True))
    assert heard(ask(alone, read(1))) == answer(1)


def test_a_confused_device_answers_for_others_with_its_own_address() -> None:
    _, port, _ = make(station(5, foreign_answer_rate=1.0))
    assert heard(ask(port, read(9))) == answer(5)


def test_first_byte_cut_never_comes() -> None:
    _, port, _ = make(station(1, cut_first_byte_rate=1.0))
    for _ in range(3):
        assert heard(ask(port, read(1))) == answer(1)[1:]


def test_last_byte_cut_never_comes() -> None:
    _, port, _ = make(station(1, cut_last_byte_rate=1.0))
    for _ in range(3):
        assert heard(ask(port, read(1))) == answer(1)[:-1]


def test_last_byte_late_leads_the_next_reply() -> None:
    _, port, _ = make(station(1, late_last_byte_rate=1.0))
    whole = answer(1)
    assert heard(ask(port, read(1))) == whole[:-1]
    # Rotated by one, as users saw it (ESPHome #10338, pymodbus #207).
    assert heard(ask(port, read(1))) == whole[-1:] + whole[:-1]


def test_a_pause_inside_a_reply() -> None:
    bus, port, _ = make(station(1, pause_after=7, pause_ms=12.0))
    chunks = ask(port, read(1, 10))
    whole = answer(1, 10)
    assert [chunk.data for chunk in chunks] == [whole[:7], whole[7:]]
    assert bus.log[2].t_ns - bus.log[1].t_end_ns == pytest.approx(12 * MS, abs=2)


def test_drop_rate() -> None:
    _, port, _ = make(station(1, drop_rate=0.3))
    answered = sum(bool(ask(port, read(1), 40.0)) for _ in range(200))
    assert 120 <= answered <= 160


def test_loss_of_sync_by_frames_for_others() -> None:
    _, port, _ = make(station(1), station(2, sync_loss_rate=1.0, resync_ms=300.0))
    assert heard(ask(port, read(2))) == answer(2)
    ask(port, read(1), 40.0)
    assert ask(port, read(2), 40.0) == []
    ask(port, read(3), 400.0)
    assert heard(ask(port, read(2))) == answer(2)


def test_a_broadcast_is_obeyed_and_not_answered() -> None:
    _, port, devices = make(station(1))
    assert ask(port, with_crc(bytes.fromhex("00 06 00 10 00 01"))) == []
    server = devices[0].server
    assert isinstance(server, Registers)
    assert server.requests == [bytes.fromhex("06 00 10 00 01")]
    assert devices[0].heard_requests == 0


def test_address_and_settings_change_after_the_reply() -> None:
    fast = LineSettings(19200, Parity.EVEN)
    bus, port, (device,) = make(station(1))

    class Changing:
        def respond(self, request: bytes, now_ns: int) -> bytes | None:
            if request[0] == 6:
                device.request_change(address=9, settings=fast)
            return Registers().respond(request, now_ns) if request[0] == 3 else request

    device.server = Changing()
    write = with_crc(bytes.fromhex("01 06 00 10 00 09"))
    assert heard(ask(port, write)) == write
    assert (device.address, device.settings) == (9, fast)
    assert bus.log[-1].settings == LineSettings()
    assert ask(port, read(9)) == []
    port.configure(fast)
    assert heard(ask(port, read(9))) == answer(9)
    assert ask(port, read(1)) == []


def test_a_foreign_master_polls_in_order_and_takes_replies() -> None:
    requests = ((1, read(1)[1:-2]), (2, read(2)[1:-2]), (9, read(9)[1:-2]))
    master = MasterParameters(
        NodeParameters(position_m=30.0), requests, period_ms=500.0, timeout_ms=100.0
    )
    bus, port, _ = make(station(1), station(2))
    foreign = bus.add_master(master)
    bus.run_until(2000 * MS)
    assert foreign.replies[:6] == [answer(1), answer(2), b"", answer(1), answer(2), b""]
    asked = [entry for entry in bus.log if entry.sender == foreign.name]
    assert [entry.data[0] for entry in asked[:6]] == [1, 2, 9, 1, 2, 9]
    assert asked[3].t_ns - asked[0].t_ns == pytest.approx(500 * MS, abs=3)
    data = b""
    while (chunk := port.next_arrival(bus.now_ns)) is not None:
        data += chunk.data
    assert data.startswith(read(1) + answer(1) + read(2) + answer(2) + read(9) + read(1))


def test_talking_over_a_foreign_master_damages_both() -> None:
    master = MasterParameters(
        NodeParameters(position_m=30.0),
        ((1, read(1, 60)[1:-2]),),
        period_ms=200.0,
        timeout_ms=160.0,
    )
    bus, port, _ = make(station(1), station(2))
    foreign = bus.add_master(master)
    port.next_arrival(130 * MS)
    port.write(140 * MS, read(2))
    bus.run_until(1000 * MS)
    assert foreign.replies[0] != answer(1, 60)
    assert foreign.replies[1] == answer(1, 60)


def test_defaults_are_a_healthy_device() -> None:
    _, port, _ = make(StationParameters())
    assert heard(ask(port, read(1))) == answer(1)
