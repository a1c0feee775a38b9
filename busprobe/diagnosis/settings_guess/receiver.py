"""What a UART delivers when it listens to characters of another rate, format or polarity.

A model of its own, for weighing settings: a falling edge begins a character, the start bit is
checked in its middle, bits are sampled in theirs, only the first stop bit is tested, and the next
start is sought from the middle of the stop bit on. After a low stop bit there are two kinds of
hardware: some wait for the next falling edge, some take the low stop bit for the next start bit
(from memory: wording of the 16550 data sheet).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.model.line import LineSettings, Parity


@dataclass(frozen=True, slots=True)
class Levels:
    """A line over time: from `times[i]` on its level is `levels[i]`; before, it is the first one.

    Times are in seconds, levels 0 or 1.
    """

    times: tuple[float, ...]
    levels: tuple[int, ...]

    def at(self, t: float) -> int:
        """Level at an instant."""
        return self.levels[max(0, bisect_right(self.times, t) - 1)]


def sent(
    frames: Sequence[bytes],
    settings: LineSettings,
    *,
    pause_s: float,
    skew: float = 0.0,
    swapped: bool = False,
    idle: int = 1,
    lead_bits: float = 0.0,
) -> Levels:
    """The line while frames are sent, as a receiver sees it.

    Args:
        frames: Sent back to back within, a pause apart.
        settings: Of the sender.
        pause_s: Between frames [s].
        skew: Relative error of the sender's clock.
        swapped: A and B are swapped: a driven 1 is seen as 0.
        idle: Level that is seen while nobody drives.
        lead_bits: The driver is on this long before the first start bit [bit].
    """
    bit = (1 + skew) / settings.baud
    times, levels = [0.0], [idle]
    t = pause_s

    def put(level: int, at: float) -> None:
        if levels[-1] != level:
            times.append(at)
            levels.append(level)

    for frame in frames:
        put(1 ^ swapped, t)
        t += lead_bits * bit
        for value in frame:
            for level in bits_of(value, settings):
                put(level ^ swapped, t)
                t += bit
        put(idle, t)
        t += pause_s
    times.append(t)
    levels.append(idle)
    return Levels(tuple(times), tuple(levels))


def bits_of(value: int, settings: LineSettings) -> list[int]:
    """Start bit, data bits, parity bit if any, stop bits."""
    data = [value >> i & 1 for i in range(8)]
    bits = [0, *data]
    if settings.parity is not Parity.NONE:
        bits.append(sum(data) & 1 ^ (settings.parity is Parity.ODD))
    return bits + [1] * settings.stop_bits


def received(
    line: Levels, settings: LineSettings, *, stop_is_start: bool = False
) -> tuple[tuple[int, bool], ...]:
    """Bytes delivered, each with whether the receiver finds nothing wrong with it.

    Args:
        line: What is on the line.
        settings: Of the receiver.
        stop_is_start: A low stop bit is taken for the next start bit, unless all bits were low.
    """
    bit = 1 / settings.baud
    with_parity = settings.parity is not Parity.NONE
    times, levels = line.times, line.levels
    found: list[tuple[int, bool]] = []
    hunt_from = times[0]
    index = 0
    again: float | None = None
    while True:
        if again is not None:
            start, again = again, None
        else:
            while index < len(times) and not (
                levels[index] == 0
                and times[index] >= hunt_from
                and (index == 0 or levels[index - 1])
            ):
                index += 1
            if index >= len(times):
                return tuple(found)
            start = times[index]
            index += 1
            if line.at(start + 0.5 * bit):
                continue
        value = sum(line.at(start + (1.5 + i) * bit) << i for i in range(8))
        good = True
        stop_at = 9.5
        if with_parity:
            parity = line.at(start + 9.5 * bit)
            good = parity == (value.bit_count() & 1) ^ (settings.parity is Parity.ODD)
            stop_at = 10.5
        stop = line.at(start + stop_at * bit)
        found.append((value, good and stop == 1))
        # Waiting for an edge needs no care of its own: it comes after a high.
        hunt_from = start + stop_at * bit
        broken = not value and not (with_parity and line.at(start + 9.5 * bit))
        if stop_is_start and not stop and not broken:
            again = start + (stop_at - 0.5) * bit
