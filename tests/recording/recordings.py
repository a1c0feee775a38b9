"""Recordings for the tests of this folder."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from pathlib import Path

from busprobe.model.chunk import Chunk, Direction
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.recording.store import Recorder, create_recording
from busprobe.wire import pdu, rtu

STARTED = datetime(2026, 3, 29, 9, 30, 0, 250_000, tzinfo=timezone(timedelta(hours=2)))
START_NS = 5_000_000_000
MS = 1_000_000
SETTINGS = LineSettings(19200, Parity.EVEN)
READ_TWO = pdu.read_registers(3, 0, 2)
TWO_REGISTERS = bytes.fromhex("03040A0B0C0D")
FINDING = Finding(
    code="duplicate-address",
    severity=Severity.FAULT,
    address=1,
    device="Trollfen Quell 3",
    summary="Two devices answer at address 1.",
    cause="Answers overlap.",
    probability=0.998,
    evidence=(Evidence(12, "two frames"), Evidence(None, "over all")),
    remedy="Give one of them a free address.",
    caution=None,
)


def begin(path: Path, **limits: int) -> Recorder:
    """An empty recording of a serial link."""
    return create_recording(
        path,
        endpoint=parse_link("/dev/ttyUSB0"),
        framing="rtu",
        version="0.1.0",
        started=STARTED,
        started_t_ns=START_NS,
        **limits,
    )


def sent(t_ms: float, data: bytes) -> Chunk:
    return Chunk(Direction.SENT, START_NS + round(t_ms * MS), data)


def received(t_ms: float, data: bytes) -> Chunk:
    return Chunk(Direction.RECEIVED, START_NS + round(t_ms * MS), data, 4 * MS)


# A device that answers in two pieces, one that is silent, and a stray byte after an answer.
VISIT = (
    sent(10, rtu.encode(1, READ_TWO)),
    received(30, rtu.encode(1, TWO_REGISTERS)[:4]),
    received(46, rtu.encode(1, TWO_REGISTERS)[4:]),
    sent(100, rtu.encode(2, READ_TWO)),
    sent(400, rtu.encode(3, READ_TWO)),
    received(430, rtu.encode(3, bytes((0x83, 2))) + b"\x00"),
)


def record(path: Path, chunks: tuple[Chunk, ...] = VISIT) -> None:
    """Write a whole recording."""
    recorder = begin(path)
    recorder.settings(START_NS, SETTINGS)
    for chunk in chunks:
        recorder.chunk(chunk)
    assert recorder.close() is None
