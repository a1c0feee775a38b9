"""How long a poll of some devices takes, and how often it can be repeated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.model.line import LineSettings
from busprobe.wire import timing

REQUEST_CHARACTERS = 8
# Address, function, byte count and CRC around the registers.
_RESPONSE_FRAME = 5
# An answer may come as much later than usual once in a while; a poll that leaves no room for one
# time-out slips behind for good. Common practice, no source.
_MARGIN = 1.1


@dataclass(frozen=True, slots=True)
class DeviceReads:
    """What a master asks one device in a cycle.

    Attributes:
        registers: Registers of each read.
        turnaround_ms: End of request to start of answer [ms].
        absent: It does not answer at all.
    """

    registers: tuple[int, ...]
    turnaround_ms: float = 50.0
    absent: bool = False


@dataclass(frozen=True, slots=True)
class PollCycle:
    """A cycle over all devices.

    Attributes:
        cycle_s: Everybody answers as usual [s].
        bytes_s: Of it, bytes on the wire [s].
        worst_s: One device stays silent once, for a whole time-out [s].
        shortest_interval_s: Shortest interval at which the cycle never slips behind [s].
    """

    cycle_s: float
    bytes_s: float
    worst_s: float
    shortest_interval_s: float


def poll_cycle(
    settings: LineSettings,
    devices: Sequence[DeviceReads],
    *,
    timeout_ms: float = 300.0,
    gap_ms: float = 0.0,
) -> PollCycle:
    """Add up a cycle.

    Args:
        settings: Rate and format.
        devices: Who is asked what.
        timeout_ms: How long the master waits for a silent device [ms].
        gap_ms: Extra pause of the master before each request, t3.5 apart [ms].
    """
    silence_s = timing.t3_5_ns(settings) / 1e9 + gap_ms / 1e3
    request_s = settings.duration_ns(REQUEST_CHARACTERS) / 1e9
    cycle = on_wire = 0.0
    costliest = 0.0
    for device in devices:
        for count in device.registers:
            if device.absent:
                cycle += request_s + timeout_ms / 1e3
                on_wire += request_s
                continue
            answer_s = settings.duration_ns(_RESPONSE_FRAME + 2 * count) / 1e9
            usual = device.turnaround_ms / 1e3 + answer_s + silence_s
            cycle += request_s + usual
            on_wire += request_s + answer_s
            costliest = max(costliest, timeout_ms / 1e3 - usual)
    worst = cycle + costliest
    return PollCycle(cycle, on_wire, worst, _MARGIN * worst)
