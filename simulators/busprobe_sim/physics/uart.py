"""UART: characters to levels in time, and levels in time back to characters.

The receiver, as a theory of operation:

1. A falling edge starts a character. The start bit is looked at again in its middle; when the line
   is high there, it was a glitch and hunting goes on.
2. Bits are sampled at (1.5 + i) bit times after the edge, in receiver bit times.
3. Only the first stop bit is checked. Low there is a framing error; when all bits were low too,
   it is a break.
4. Hunting for the next start begins in the middle of the (first) stop bit.
5. After a framing error two kinds of hardware exist: ``EDGE`` waits for high and then for the next
   falling edge; ``RESTART`` takes the low stop bit as the next start bit (as 16550-like parts are
   said to do; from memory, no source seen). After a break both wait for high.

Not modelled: majority voting of three samples, the finite sampling clock of real parts (edges are
seen at their exact time), over-runs.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.physics.receiver import Levels, Times

_ODD_ONES = tuple(value.bit_count() & 1 for value in range(256))


class AfterFramingError(StrEnum):
    """What the receiver does after a low stop bit."""

    EDGE = "edge"
    RESTART = "16550"


@dataclass(frozen=True, slots=True)
class UartTiming:
    """How a receiver samples.

    Attributes:
        settings: Nominal rate and format.
        clock_error: Relative error of its clock; +0.01 runs 1 % fast (its bits are shorter).
        after_framing_error: See the module.
    """

    settings: LineSettings
    clock_error: float = 0.0
    after_framing_error: AfterFramingError = AfterFramingError.EDGE

    @property
    def bit_ns(self) -> float:
        """Duration of a bit by its own clock [ns]."""
        return self.settings.bit_ns / (1.0 + self.clock_error)

    @property
    def character_ns(self) -> float:
        """Duration of a character by its own clock [ns]."""
        return self.settings.bits_per_character * self.bit_ns


@dataclass(frozen=True, slots=True)
class Resume:
    """Where a receiver goes on.

    Attributes:
        t_ns: From here on the line has to be looked at again [ns].
        level: Level just before `t_ns`.
        start_ns: A start bit that needs no edge begins here, or None.
        partial: A character has begun at `t_ns` and is not complete.
    """

    t_ns: float
    level: int = 1
    start_ns: float | None = None
    partial: bool = False


@dataclass(frozen=True, slots=True)
class Character:
    """One character out of a receiver.

    Attributes:
        value: The byte.
        mark: What the receiver says of it.
        t_start_ns: Falling edge of its start bit [ns].
        t_end_ns: Nominal end of its last stop bit by the receiver's clock [ns].
        resume: State of the receiver after it.
    """

    value: int
    mark: Mark
    t_start_ns: float
    t_end_ns: float
    resume: Resume


def character_levels(data: bytes, settings: LineSettings) -> Levels:
    """Levels bit by bit, characters back to back: start, 8 data LSB first, parity, stop.

    Returns:
        ``len(data) * bits_per_character`` levels (0 or 1).
    """
    octets = np.frombuffer(data, dtype=np.uint8)
    bits = np.ones((len(octets), settings.bits_per_character), dtype=np.int8)
    bits[:, 0] = 0
    bits[:, 1:9] = np.unpackbits(octets[:, None], axis=1, bitorder="little")
    if settings.parity is not Parity.NONE:
        ones = bits[:, 1:9].sum(axis=1, dtype=np.int8)
        bits[:, 9] = (ones + (settings.parity is Parity.ODD)) & 1
    levels: Levels = bits.reshape(-1)
    return levels


def transmit(
    data: bytes, settings: LineSettings, start_ns: float, bit_ns: float
) -> tuple[Times, Levels]:
    """Level changes of a transmitter that idles at 1.

    Args:
        data: Bytes, sent back to back.
        settings: Format.
        start_ns: Start of the first start bit [ns].
        bit_ns: Duration of a bit by the transmitter's clock [ns].

    Returns:
        Time of each change [ns] and level after it.
    """
    levels = character_levels(data, settings)
    changed = np.flatnonzero(np.diff(levels, prepend=np.int8(1)))
    times: Times = start_ns + changed * np.float64(bit_ns)
    return times, levels[changed]


def receive(
    edges_ns: Sequence[float], resume: Resume, until_ns: float, timing: UartTiming
) -> tuple[list[Character], Resume]:
    """Sample a level that changes at the given instants.

    Args:
        edges_ns: Instants at which the level toggles [ns], ascending, none before `resume.t_ns`.
        resume: Where the receiver stood; its level is the level before the first edge.
        until_ns: The level is known up to here [ns], edges at this very instant excluded; only
            characters that end by then come out.
        timing: How it samples.

    Returns:
        The characters and the state to go on with.
    """
    bit = timing.bit_ns
    parity = timing.settings.parity
    has_parity = parity is not Parity.NONE
    odd = parity is Parity.ODD
    stop_offset = (10.5 if has_parity else 9.5) * bit
    length = timing.character_ns
    restart = timing.after_framing_error is AfterFramingError.RESTART
    first = resume.level
    forced = resume.start_ns
    edge = 0
    count = len(edges_ns)
    out: list[Character] = []
    # Level after k edges is `first ^ (k & 1)`, as every edge toggles.
    while True:
        if forced is None:
            if (first ^ (edge & 1)) == 0:
                edge += 1
            if edge >= count:
                return out, Resume(until_ns, first ^ (count & 1))
            start = edges_ns[edge]
            if start + 0.5 * bit > until_ns:
                return out, Resume(start, 1, None, True)
            k = bisect_right(edges_ns, start + 0.5 * bit, edge)
            if first ^ (k & 1):
                edge = k
                continue
        else:
            start = forced
            k = edge
        if start + length > until_ns:
            if forced is None:
                return out, Resume(start, 1, None, True)
            level = first ^ (bisect_left(edges_ns, start) & 1)
            return out, Resume(start, level, start, True)
        value = 0
        for i in range(8):
            k = bisect_right(edges_ns, start + (1.5 + i) * bit, k)
            if first ^ (k & 1):
                value |= 1 << i
        wrong_parity = False
        parity_bit = 0
        if has_parity:
            k = bisect_right(edges_ns, start + 9.5 * bit, k)
            parity_bit = first ^ (k & 1)
            wrong_parity = (_ODD_ONES[value] ^ parity_bit) != odd
        hunt = start + stop_offset
        edge = bisect_right(edges_ns, hunt, k)
        forced = None
        if first ^ (edge & 1):
            mark = Mark.PARITY if wrong_parity else Mark.GOOD
            after = Resume(hunt, 1)
        elif value == 0 and not parity_bit:
            mark = Mark.BREAK
            after = Resume(hunt, 0)
        else:
            mark = Mark.FRAMING_PARITY if wrong_parity else Mark.FRAMING
            if restart:
                forced = hunt - 0.5 * bit
            after = Resume(hunt, 0, forced)
        out.append(Character(value, mark, start, start + length, after))
