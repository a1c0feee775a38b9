from __future__ import annotations

import csv
import io
import json
import os
import shutil
import struct
import subprocess
from pathlib import Path

import pytest

from busprobe.model.line import LineSettings, parse_link
from busprobe.recording.export import write_csv, write_json
from busprobe.recording.frames import frames_of
from busprobe.recording.pcapng import write_pcapng
from busprobe.recording.read import open_recording
from busprobe.recording.store import create_recording
from busprobe.wire import mbap
from tests.recording.recordings import (
    FINDING,
    READ_TWO,
    SETTINGS,
    START_NS,
    STARTED,
    TWO_REGISTERS,
    VISIT,
    begin,
    received,
    record,
    sent,
)


def pcapng_of(recording_path: Path, settings: LineSettings | None = None) -> bytes:
    out = io.BytesIO()
    with open_recording(recording_path) as recording:
        frames = frames_of(recording.chunks(), recording.head.framing)
        write_pcapng(recording.head, frames, out, settings)
    return out.getvalue()


def tshark(capture: Path, *arguments: str) -> list[list[str]]:
    """Fields that Wireshark's dissectors find, without any set-up but what is given."""
    program = shutil.which("tshark")
    if program is None:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail("tshark is not installed")
        pytest.skip("tshark is not installed")
    run = subprocess.run(
        [program, "-n", "-r", str(capture), "-T", "fields", "-E", "separator=|", *arguments],
        capture_output=True,
        text=True,
        check=True,
        timeout=90,
        env={**os.environ, "HOME": str(capture.parent)},
    )
    return [line.split("|") for line in run.stdout.splitlines()]


def fields(*names: str) -> list[str]:
    return [argument for name in names for argument in ("-e", name)]


def test_wireshark_dissects_rtu_frames_without_set_up(tmp_path: Path) -> None:
    path, capture = tmp_path / "visit.busprobe", tmp_path / "visit.pcapng"
    record(path)
    capture.write_bytes(pcapng_of(path, SETTINGS))
    rows = tshark(
        capture,
        *fields("frame.time_epoch", "mbrtu.unit_id", "modbus.func_code", "modbus.regval_uint16"),
        *fields("modbus.exception_code", "frame.comment", "frame.interface_name"),
    )
    assert [row[1] for row in rows] == ["1", "1", "2", "3", "3", ""]
    assert [row[2] for row in rows] == ["3", "3", "3", "3", "3", ""]
    assert rows[1][3] == "2571,3085"  # 0A0B and 0C0D
    assert rows[4][4] == "2"
    assert rows[5][5] == "1 bytes that belong to no frame"
    assert rows[1][5] == "may have ended up to 4.0 ms earlier on the wire"
    assert {row[6] for row in rows} == {"/dev/ttyUSB0"}
    # 2026-03-29T09:30:00.25+02:00 and 10 ms.
    assert rows[0][0].startswith("1774769400.260000000")


def test_wireshark_judges_the_check_of_every_frame_as_right(tmp_path: Path) -> None:
    path, capture = tmp_path / "visit.busprobe", tmp_path / "visit.pcapng"
    record(path)
    capture.write_bytes(pcapng_of(path))
    rows = tshark(
        capture,
        "-o",
        "mbrtu.crc_verification:TRUE",
        *fields("mbrtu.crc16", "mbrtu.crc16.status"),
    )
    crcs = [row for row in rows if row[0]]
    assert len(crcs) == 5
    assert all(row[1] in ("1", "Good") for row in crcs)


def test_wireshark_matches_answers_with_requests(tmp_path: Path) -> None:
    path, capture = tmp_path / "visit.busprobe", tmp_path / "visit.pcapng"
    record(path)
    capture.write_bytes(pcapng_of(path))
    rows = tshark(capture, *fields("modbus.regnum16", "modbus.response_time"))
    # Registers are numbered by the request: only a matched answer knows them.
    assert rows[1][0] == "0,1"
    assert float(rows[1][1]) == pytest.approx(0.036)


def test_wireshark_dissects_modbus_tcp(tmp_path: Path) -> None:
    path, capture = tmp_path / "visit.busprobe", tmp_path / "visit.pcapng"
    recorder = create_recording(
        path,
        endpoint=parse_link("tcp://meter.example"),
        framing="mbap",
        version="0.1.0",
        started=STARTED,
        started_t_ns=START_NS,
    )
    recorder.chunk(sent(0, mbap.encode(77, 9, READ_TWO)))
    recorder.chunk(received(8, mbap.encode(77, 9, TWO_REGISTERS)))
    recorder.close()
    capture.write_bytes(pcapng_of(path))
    rows = tshark(capture, *fields("mbtcp.trans_id", "mbtcp.unit_id", "modbus.func_code"))
    assert rows == [["77", "9", "3"], ["77", "9", "3"]]


def test_the_blocks_are_laid_out_as_the_draft_says(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    record(path)
    raw = pcapng_of(path)
    # draft-ietf-opsawg-pcapng, section 3.1: type, length, body, length; lengths are multiples of 4.
    kinds = []
    at = 0
    while at < len(raw):
        kind, length = struct.unpack_from("<II", raw, at)
        assert length % 4 == 0
        assert struct.unpack_from("<I", raw, at + length - 4) == (length,)
        kinds.append(kind)
        at += length
    assert kinds == [0x0A0D0D0A, 1, *[6] * 6]
    assert struct.unpack_from("<H", raw, struct.unpack_from("<I", raw, 4)[0] + 8) == (252,)


def test_the_table_has_a_row_for_every_frame(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    record(path)
    out = io.StringIO(newline="")
    with open_recording(path) as recording:
        assert write_csv(recording.head, frames_of(recording.chunks(), "rtu"), out) == 6
    out.seek(0)
    rows = list(csv.DictReader(out))
    assert rows[0] == {
        "time": "2026-03-29T09:30:00.260000+02:00",
        "t_s": "0.010000",
        "uncertainty_ms": "0.000",
        "direction": "sent",
        "role": "request",
        "address": "1",
        "function": "03",
        "hex": "010300000002C40B",
    }
    assert (rows[4]["function"], rows[5]["role"], rows[5]["hex"]) == ("83", "none", "00")


def test_the_document_holds_everything(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    recorder.settings(START_NS, SETTINGS)
    for chunk in VISIT:
        recorder.chunk(chunk)
    recorder.finding(START_NS, FINDING)
    recorder.event(START_NS + 5, "operator", {"on": True})
    recorder.close()
    out = io.StringIO()
    with open_recording(path) as recording:
        write_json(recording, out)
    document = json.loads(out.getvalue())
    assert document["schema"] == "busprobe-recording/1"
    assert document["started"] == "2026-03-29T09:30:00.250000+02:00"
    assert document["link"] == {"argument": "/dev/ttyUSB0", "kind": "serial", "framing": "rtu"}
    assert document["timeline"][0] == {"settings": {"baud": 19200, "parity": "E", "stop_bits": 1}}
    assert document["timeline"][1]["chunk"]["hex"] == "010300000002C40B"
    assert len(document["timeline"]) == 7
    assert document["findings"][0]["code"] == "duplicate-address"
    assert document["events"] == [{"t_ns": 5, "kind": "operator", "body": {"on": True}}]
    assert document["damaged_rows"] == 0
