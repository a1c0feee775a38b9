"""Every act of a visit through an independent dissector: number, time, address, function, check."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from busprobe.launch import link_opener
from busprobe.model.chunk import Direction
from busprobe.model.line import parse_link
from busprobe.recording.frames import RecordedFrame, frames_of
from busprobe.recording.pcapng import write_pcapng
from busprobe.recording.read import RecordingHead, open_recording
from busprobe.session.job import Job
from busprobe.session.keeping import begin_recording
from busprobe.session.values import FindPlan
from busprobe.session.verification import Verification, VerifyOptions
from busprobe.session.verify_line import LineVerification
from busprobe.site.plan import load_plan
from busprobe.wire.functions import Role
from tests.recording.test_export import fields, tshark
from tests.recording.test_export_session import _SET_UP, _seconds_ns

PLAN = """\
format: 1
site: {{name: Orchard}}
links: [{{name: bus, link: "sim:{scenario}", settings: 9600 8N1}}]
meters:
  - {{name: grid, link: bus, address: 1, role: grid}}
  - {{name: workshop, link: bus, address: 9, role: sub-meter, behind: grid, feeds: load}}
"""
# Of fewer bytes the dissector makes nothing, whole or not (measured with tshark 4.0.17): a request
# without data, as for the server's identity (function 17), is shown as bytes.
_LEAST_DISSECTED = 5
NOISY = ("noisy-line",)
_WRONG = "_ws.malformed || _ws.expert.severity >= 0x600000"
# MODBUS Application Protocol V1.1b3, section 6: those that carry a register and a count or value.
_READ, _WRITE_ONE, _WRITE_MANY = (3, 4), 6, 16


async def visit(scenario: str, plan_file: Path, path: Path) -> None:
    """Search, read, look for second devices, measure the line, change an address, verify."""
    endpoint = parse_link(f"sim:{scenario}")
    opened = await link_opener(pace="virtual")(endpoint, None)
    job = Job(opened, endpoint, lambda event: None, recorder=begin_recording(path, opened.link))
    try:
        await job.find(FindPlan(second_round=False))
        found = tuple(sorted(job.devices))
        for address in found:
            await job.settle(address)
            await job.read(address)
        await job.check_addresses(found)
        await job.check_line((), soak_s=5.0)
        if scenario not in NOISY:
            # On a noisy line no address can be told free, and nothing is written.
            moved = 2 if 2 in found else found[0]
            await job.settle(moved)
            await job.change(await job.plan_change(moved, 9, None), "the technician")
        plan = load_plan(plan_file).plan
        whole = Verification(plan, VerifyOptions(quick=True, watch_s=10.0))
        await LineVerification(whole, job, plan.links[0]).run()
        assert whole.done
    finally:
        await job.close()


@dataclass(frozen=True)
class Session:
    """A recording, its frames, and the file for the dissector."""

    head: RecordingHead
    frames: Sequence[RecordedFrame]
    sent: Sequence[bytes]
    capture: Path


@pytest.fixture(scope="module", params=["demo", "echo-adapter", *NOISY])
def session(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Session:
    folder = tmp_path_factory.mktemp("whole")
    plan, path = folder / "site.plan.yaml", folder / "session.busprobe"
    plan.write_text(PLAN.format(scenario=request.param), encoding="utf-8")
    asyncio.run(visit(request.param, plan, path))
    capture = path.with_suffix(".pcapng")
    with open_recording(path) as recording:
        chunks = list(recording.chunks())
        frames = list(frames_of(chunks, recording.head.framing))
        with capture.open("wb") as out:
            assert write_pcapng(recording.head, frames, out) == len(frames)
        sent = [c.data for c in chunks if c.direction is Direction.SENT]
        return Session(recording.head, frames, sent, capture)


def test_every_act_of_the_visit_is_in_it(session: Session) -> None:
    framed = [f for f in session.frames if f.role is not None]
    asked = Counter(f.pdu[0] for f in framed if f.role is Role.REQUEST)
    assert asked[3] > 300
    changed = session.head.endpoint.removeprefix("sim:") not in NOISY
    assert (asked[_WRITE_ONE] + asked[_WRITE_MANY] > 0) is changed
    answered = {f.address for f in framed if f.role is Role.RESPONSE}
    assert (9 in answered) is changed
    assert answered & {1, 2}
    assert any(f.role is None for f in session.frames), "bytes of no frame"


def test_each_frame_is_where_and_when_we_say(session: Session) -> None:
    rows = tshark(
        session.capture,
        *_SET_UP,
        *fields("frame.number", "frame.time_epoch", "mbrtu.unit_id", "modbus.func_code"),
        *fields("modbus.exception_code", "mbrtu.crc16", "mbrtu.crc16.status", "data.data"),
        *fields(
            "modbus.reference_num", "modbus.word_cnt", "modbus.byte_cnt", "exported_pdu.ipv4_dst"
        ),
    )
    assert [int(row[0]) for row in rows] == list(range(1, len(session.frames) + 1))
    begun = _seconds_ns(rows[0][1]) - session.frames[0].t_ns
    for frame, row in zip(session.frames, rows, strict=True):
        _, stamp, unit, function, exception, crc, status, raw, start, words, count, target = row
        assert _seconds_ns(stamp) - begun == frame.t_ns
        if frame.role is None or len(frame.data) < _LEAST_DISSECTED:
            assert bytes.fromhex(raw) == frame.data
            assert (unit, function, crc, status) == ("", "", "", "")
            continue
        assert int(unit) == frame.address
        assert int(function) == frame.pdu[0] & 0x7F
        assert int(crc, 16) == int.from_bytes(frame.data[-2:], "big")
        assert status in {"1", "Good"}
        to_master = frame.role is Role.RESPONSE
        assert target == ("10.0.0.254" if to_master else f"10.0.0.{frame.address}")
        if frame.pdu[0] >= 0x80:
            assert int(exception) == frame.pdu[1]
            continue
        assert exception == ""
        if frame.pdu[0] in _READ:
            if frame.role is Role.REQUEST:
                assert int(words) == int.from_bytes(frame.pdu[3:5], "big")
            else:
                assert int(count) == frame.pdu[1]
        if frame.pdu[0] in (_WRITE_ONE, _WRITE_MANY) or (
            frame.pdu[0] in _READ and frame.role is Role.REQUEST
        ):
            assert int(start) == int.from_bytes(frame.pdu[1:3], "big")
        if frame.pdu[0] == _WRITE_MANY:
            assert int(words) == int.from_bytes(frame.pdu[3:5], "big")


def test_nothing_of_the_visit_is_malformed(session: Session) -> None:
    assert tshark(session.capture, *_SET_UP, "-Y", _WRONG, *fields("frame.number")) == []
    known = tshark(session.capture, *_SET_UP, "-Y", "mbrtu", *fields("frame.number"))
    dissected = [f for f in session.frames if f.role is not None]
    dissected = [f for f in dissected if len(f.data) >= _LEAST_DISSECTED]
    assert len(known) == len(dissected)


def test_what_is_no_frame_to_us_is_none_to_the_dissector(session: Session, tmp_path: Path) -> None:
    """Handed over as if they were frames, these bytes must fail its check."""
    # Shorter than address, function and CRC there is nothing to check (Modbus over Serial Line
    # V1.02, section 2.5.1); longer than 256 bytes the dissector takes as several frames.
    pieces = [f for f in session.frames if f.role is None and 4 <= len(f.data) <= 256]
    assert pieces
    claimed = [replace(f, role=Role.RESPONSE, address=f.data[0]) for f in pieces]
    capture = tmp_path / "claimed.pcapng"
    with capture.open("wb") as out:
        write_pcapng(session.head, claimed, out)
    rows = tshark(capture, *_SET_UP, *fields("frame.number", "mbrtu.crc16.status"))
    assert len(rows) == len(pieces)
    assert not [row for row in rows if row[1] in {"1", "Good"}]
    assert {row[1] for row in rows} & {"0", "Bad"}


def test_each_request_went_out_as_one_frame(session: Session) -> None:
    ours = [f.data for f in session.frames if f.direction is Direction.SENT]
    assert ours == list(session.sent)
