"""A register server and a few lines that the tests of the line share."""

from __future__ import annotations

from dataclasses import dataclass, field

from busprobe.model.chunk import Chunk, Mark
from busprobe.wire.crc import with_crc
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.line.port import Port
from busprobe_sim.line.station import Station

MS = 1_000_000
QUIET = LineParameters(float_rate_hz=0.0)
_SIGNS = {
    Mark.GOOD: "",
    Mark.FRAMING: "!F",
    Mark.PARITY: "!P",
    Mark.FRAMING_PARITY: "!F!P",
    Mark.BREAK: "!B",
}


@dataclass
class Registers:
    """Answers FC 03 and 04 with ascending bytes and keeps the requests; other functions get 01."""

    first: int = 0
    requests: list[bytes] = field(default_factory=list)

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        self.requests.append(request)
        if request[0] not in (3, 4):
            return bytes([request[0] | 0x80, 1])
        count = 2 * int.from_bytes(request[3:5], "big")
        return bytes([request[0], count]) + bytes((self.first + i) & 0xFF for i in range(count))


def read(address: int, count: int = 2, start: int = 0, function: int = 3) -> bytes:
    """A read request with its CRC."""
    return with_crc(
        bytes([address, function]) + start.to_bytes(2, "big") + count.to_bytes(2, "big")
    )


def answer(address: int, count: int = 2, first: int = 0) -> bytes:
    """What `Registers` answers to `read`, with its CRC."""
    data = bytes((first + i) & 0xFF for i in range(2 * count))
    return with_crc(bytes([address, 3, 2 * count]) + data)


def make(
    *stations: StationParameters,
    port: PortParameters | None = None,
    line: LineParameters = QUIET,
    seed: int = 1,
) -> tuple[Line, Port, list[Station]]:
    """A line with devices and a port that reports marks."""
    bus = Line(line, seed)
    devices = [bus.add_station(station, Registers()) for station in stations]
    return bus, bus.open_port(port or PortParameters(reports_marks=True)), devices


def ask(port: Port, request: bytes, listen_ms: float = 200.0, gap_ms: float = 5.0) -> list[Chunk]:
    """Send and listen for a fixed time after the start, and a gap more."""
    until = port.write(port.now_ns, request) + round((listen_ms + gap_ms) * MS)
    chunks = []
    while (chunk := port.next_arrival(until)) is not None:
        chunks.append(chunk)
    return chunks


def heard(chunks: list[Chunk]) -> bytes:
    """All bytes of some chunks."""
    return b"".join(chunk.data for chunk in chunks)


def shown(chunks: list[Chunk]) -> str:
    """Bytes and marks in the notation of the documentation."""
    out = []
    for chunk in chunks:
        assert chunk.marks is not None
        out += [
            f"{value:02X}{_SIGNS[mark]}"
            for value, mark in zip(chunk.data, chunk.marks, strict=True)
        ]
    return " ".join(out)


def station(address: int = 1, turnaround_ms: float = 5.0, **habits: object) -> StationParameters:
    """A device at 10 m without jitter, whose node parameters may be given beside its habits."""
    node_names = set(NodeParameters.__dataclass_fields__)
    node = {"position_m": 10.0} | {k: v for k, v in habits.items() if k in node_names}
    rest = {"loop_ms": 0.0} | {k: v for k, v in habits.items() if k not in node_names}
    return StationParameters(
        address=address,
        turnaround_ms=turnaround_ms,
        node=NodeParameters(**node),  # type: ignore[arg-type]
        **rest,  # type: ignore[arg-type]
    )
