"""Small simulated buses for tests of the bus and of the procedures."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from busprobe.bus.bus import Bus
from busprobe.model.line import LineSettings
from busprobe.wire.timing import t3_5_ns
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.line.things import LogEntry
from busprobe_sim.ports.virtual import VirtualLink

MS = 1_000_000


def frames_asked(log: Iterable[LogEntry]) -> list[bytes]:
    """What ports put on a line, cut at silences of t3.5 as a receiver cuts it."""
    frames: list[bytes] = []
    ended: dict[str, int] = {}
    for entry in log:
        if not entry.sender.startswith("port"):
            continue
        before = ended.get(entry.sender)
        if before is not None and entry.t_ns - before < t3_5_ns(entry.settings):
            frames[-1] += entry.data
        else:
            frames.append(entry.data)
        ended = {entry.sender: entry.t_end_ns}
    return frames


@dataclass
class Registers:
    """A register server that holds the same value everywhere, or refuses everything."""

    value: int = 0x1234
    functions: tuple[int, ...] = (3, 4)
    highest: int = 0xFFFF
    ignores_unknown: bool = False

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """FC 03 and 04 only; everything else is an illegal function."""
        function = request[0]
        if function not in self.functions:
            return None if self.ignores_unknown else bytes((function | 0x80, 1))
        start = int.from_bytes(request[1:3], "big")
        count = int.from_bytes(request[3:5], "big")
        if start + count - 1 > self.highest:
            return bytes((function | 0x80, 2))
        return bytes((function, 2 * count)) + self.value.to_bytes(2, "big") * count


def station(address: int, **changes: object) -> StationParameters:
    """A device 10 m from the port with a turn-around of exactly 20 ms, unless told otherwise."""
    node = NodeParameters(position_m=10.0, settings=LineSettings())
    parameters = StationParameters(address=address, node=node, turnaround_ms=20.0, loop_ms=0.0)
    return replace(parameters, **changes)  # type: ignore[arg-type]


def simulated_bus(
    *stations: StationParameters,
    servers: dict[int, Registers] | None = None,
    port: PortParameters | None = None,
    line: LineParameters | None = None,
    seed: int = 1,
) -> Bus:
    """A bus with these devices on it."""
    simulated = Line(line or LineParameters(), seed)
    for number, parameters in enumerate(stations):
        server = (servers or {}).get(number, Registers())
        simulated.add_station(parameters, server)
    return Bus(VirtualLink(simulated.open_port(port or PortParameters())))
