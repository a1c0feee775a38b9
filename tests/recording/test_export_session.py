"""A whole session through an independent dissector: frame by frame, byte by byte."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from busprobe.launch import link_opener
from busprobe.model.line import parse_link
from busprobe.recording.frames import RecordedFrame, frames_of
from busprobe.recording.pcapng import write_pcapng
from busprobe.recording.read import open_recording
from busprobe.session.job import Job
from busprobe.session.keeping import begin_recording
from busprobe.wire.functions import Role
from tests.recording.test_export import fields, tshark

# Frames of a Modbus recording beyond the register reads are classified only with this set
# (Wireshark, epan/dissectors/packet-mbtcp.c: preferences of "mbrtu").
_SET_UP = ("-o", "mbrtu.tcp.port:502", "-o", "mbrtu.crc_verification:TRUE")
_READS = (3, 4)


async def recorded_session(path: Path) -> None:
    """Identify, read and watch the devices of a simulated site, one of them twice on an address."""
    endpoint = parse_link("sim:demo")
    opened = await link_opener(pace="virtual")(endpoint, None)
    job = Job(opened, endpoint, lambda event: None, recorder=begin_recording(path, opened.link))
    try:
        for address in (2, 10, 1):
            await job.find_device(address, None)
            await job.read(address)
        await job.watch((2, 10), 1.0, most=15)
    finally:
        await job.close()


@pytest.fixture(scope="module")
def session_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    import asyncio

    path = tmp_path_factory.mktemp("session") / "session.busprobe"
    asyncio.run(recorded_session(path))
    return path


@pytest.fixture(scope="module")
def frames(session_file: Path) -> list[RecordedFrame]:
    with open_recording(session_file) as recording:
        return list(frames_of(recording.chunks(), recording.head.framing))


@pytest.fixture(scope="module")
def capture(session_file: Path, frames: list[RecordedFrame]) -> Path:
    path = session_file.with_suffix(".pcapng")
    with open_recording(session_file) as recording, path.open("wb") as out:
        assert write_pcapng(recording.head, frames, out) == len(frames)
    return path


def test_the_session_is_worth_dissecting(frames: list[RecordedFrame]) -> None:
    assert len(frames) > 100
    assert {f.address for f in frames if f.role is Role.RESPONSE} >= {2, 10}
    assert any(f.pdu[:1] >= b"\x80" for f in frames)
    assert any(f.role is None for f in frames), "two on one address leave bytes of no frame"


def test_no_frame_of_a_session_is_malformed(capture: Path) -> None:
    # Expert severities (Wireshark, epan/proto.h): PI_WARN 0x600000, PI_ERROR 0x800000.
    wrong = "_ws.malformed || _ws.expert.severity >= 0x600000"
    assert tshark(capture, *_SET_UP, "-Y", wrong, *fields("frame.number")) == []
    assert tshark(capture, *_SET_UP, "-Y", "mbrtu", *fields("frame.number")) != []


def test_the_dissector_would_tell_a_damaged_frame(
    session_file: Path, frames: list[RecordedFrame], tmp_path: Path
) -> None:
    path = tmp_path / "damaged.pcapng"
    data = frames[0].data
    damaged = replace(frames[0], data=data[:-1] + bytes((data[-1] ^ 1,)))
    with open_recording(session_file) as recording, path.open("wb") as out:
        write_pcapng(recording.head, [damaged, *frames[1:20]], out)
    wrong = "_ws.malformed || _ws.expert.severity >= 0x600000"
    assert tshark(path, *_SET_UP, "-Y", wrong, *fields("frame.number")) == [["1"]]


def test_the_dissector_agrees_with_us_frame_by_frame(
    capture: Path, frames: list[RecordedFrame]
) -> None:
    rows = tshark(
        capture,
        *_SET_UP,
        *fields("mbrtu.unit_id", "modbus.func_code", "modbus.exception_code", "mbrtu.crc16"),
        *fields("modbus.reference_num", "modbus.word_cnt", "modbus.byte_cnt", "data.data"),
        *fields("frame.time_epoch"),
    )
    assert len(rows) == len(frames)
    first = frames[0].t_ns
    begun = _seconds_ns(rows[0][8])
    for frame, row in zip(frames, rows, strict=True):
        unit, function, exception, crc, start, words, byte_count, raw, stamp = row
        # The stamp is exact to the nanosecond.
        assert _seconds_ns(stamp) - begun == frame.t_ns - first
        if frame.role is None:
            assert bytes.fromhex(raw) == frame.data
            assert unit == ""
            continue
        assert int(unit) == frame.address
        assert int(function) == frame.pdu[0] & 0x7F
        assert int(crc, 16) == int.from_bytes(frame.data[-2:], "big")
        assert (exception != "") is (frame.pdu[0] >= 0x80)
        if frame.pdu[0] >= 0x80:
            assert int(exception) == frame.pdu[1]
        if frame.role is Role.REQUEST and frame.pdu[0] in _READS:
            assert int(start) == int.from_bytes(frame.pdu[1:3], "big")
            assert int(words) == int.from_bytes(frame.pdu[3:5], "big")
        if frame.role is Role.RESPONSE and frame.pdu[0] in _READS:
            assert int(byte_count) == frame.pdu[1]


def test_the_dissector_reads_the_registers_that_we_read(
    capture: Path, frames: list[RecordedFrame]
) -> None:
    rows = tshark(capture, *_SET_UP, *fields("modbus.regnum16", "modbus.regval_uint16"))
    asked: tuple[int, int] | None = None
    compared = 0
    for frame, (numbers, values) in zip(frames, rows, strict=True):
        if frame.pdu and frame.pdu[0] in _READS and frame.role is Role.REQUEST:
            start = int.from_bytes(frame.pdu[1:3], "big")
            asked = (start, int.from_bytes(frame.pdu[3:5], "big"))
        elif frame.pdu and frame.pdu[0] in _READS and frame.role is Role.RESPONSE:
            data = frame.pdu[2:]
            ours = [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data), 2)]
            assert [int(v) for v in values.split(",")] == ours
            assert asked is not None
            assert [int(n) for n in numbers.split(",")] == list(range(asked[0], sum(asked)))
            compared += 1
    assert compared > 50


def test_every_check_is_judged_right(capture: Path, frames: list[RecordedFrame]) -> None:
    rows = tshark(capture, *_SET_UP, *fields("mbrtu.crc16", "mbrtu.crc16.status"))
    judged = [row for row in rows if row[0]]
    assert len(judged) == sum(frame.role is not None for frame in frames)
    assert {row[1] for row in judged} <= {"1", "Good"}


def test_no_byte_of_the_session_is_lost_on_the_way(
    session_file: Path, frames: list[RecordedFrame]
) -> None:
    with open_recording(session_file) as recording:
        chunks = b"".join(chunk.data for chunk in recording.chunks())
    assert b"".join(frame.data for frame in frames) == chunks


def _seconds_ns(stamp: str) -> int:
    """Nanoseconds of a stamp in seconds, without the rounding of a float."""
    whole, _, part = stamp.partition(".")
    return int(whole) * 1_000_000_000 + int(part.ljust(9, "0")[:9])


def test_a_session_is_json_that_others_can_read(session_file: Path, tmp_path: Path) -> None:
    from busprobe.recording.export import write_json

    out = tmp_path / "session.json"
    with open_recording(session_file) as recording, out.open("w", encoding="utf-8") as text:
        write_json(recording, text)
    document = json.loads(out.read_text(encoding="utf-8"), parse_constant=pytest.fail)
    assert len(document["snapshots"]) >= 30
    assert document["damaged_rows"] == 0
