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
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache

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
        bit_ns: Duration of a bit by its own clock [ns].
        character_ns: Duration of a character by its own clock [ns].
    """

    settings: LineSettings
    clock_error: float = 0.0
    after_framing_error: AfterFramingError = AfterFramingError.EDGE
    bit_ns: float = field(init=False)
    character_ns: float = field(init=False)

    def __post_init__(self) -> None:
        bit_ns = self.settings.bit_ns / (1.0 + self.clock_error)
        object.__setattr__(self, "bit_ns", bit_ns)
        object.__setattr__(self, "character_ns", self.settings.bits_per_character * bit_ns)


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
    """

    value: int
    mark: Mark
    t_start_ns: int
    t_end_ns: int


@dataclass(slots=True)
class Received:
    """Characters out of a receiver, column by column.

    Attributes:
        values: The bytes.
        marks: What the receiver says of each.
        starts_ns: Falling edge of each start bit [ns].
        ends_ns: Nominal end of each last stop bit by the receiver's clock [ns].
        resumes: Where the receiver hunts on after each [ns], or its whole state where a number does
            not tell it.
    """

    values: bytearray = field(default_factory=bytearray)
    marks: list[Mark] = field(default_factory=list)
    starts_ns: list[int] = field(default_factory=list)
    ends_ns: list[int] = field(default_factory=list)
    resumes: list[Resume | float] = field(default_factory=list)

    def __iter__(self) -> Iterator[Character]:
        columns = (self.values, self.marks, self.starts_ns, self.ends_ns)
        return (Character(*row) for row in zip(*columns, strict=True))


@cache
def _format_table(settings_parity: Parity, stop_bits: int) -> Levels:
    octets = np.arange(256, dtype=np.uint8)
    has_parity = settings_parity is not Parity.NONE
    bits = np.ones((256, 9 + has_parity + stop_bits), dtype=np.int8)
    bits[:, 0] = 0
    bits[:, 1:9] = np.unpackbits(octets[:, None], axis=1, bitorder="little")
    if has_parity:
        ones = bits[:, 1:9].sum(axis=1, dtype=np.int8)
        bits[:, 9] = (ones + (settings_parity is Parity.ODD)) & 1
    return bits


def character_levels(data: bytes, settings: LineSettings) -> Levels:
    """Levels bit by bit, characters back to back: start, 8 data LSB first, parity, stop.

    Returns:
        ``len(data) * bits_per_character`` levels (0 or 1).
    """
    table = _format_table(settings.parity, settings.stop_bits)
    levels: Levels = table[np.frombuffer(data, dtype=np.uint8)].reshape(-1)
    return levels


def transmit(
    data: bytes, settings: LineSettings, start_ns: float, bit_ns: float
) -> tuple[Times, Levels]:
    """Level changes of a transmitter that idles at 1.

    Args:
        data: Bytes, at least one, sent back to back.
        settings: Format.
        start_ns: Start of the first start bit [ns].
        bit_ns: Duration of a bit by the transmitter's clock [ns].

    Returns:
        Time of each change [ns] and level after it.
    """
    levels = character_levels(data, settings)
    changed = np.flatnonzero(levels[1:] != levels[:-1]) + 1
    changed = np.concatenate(([0], changed))
    times: Times = start_ns + changed * np.float64(bit_ns)
    return times, levels[changed]


@cache
def _sample_offsets(has_parity: bool) -> Times:
    # Middle of the start bit, of each data bit, of the parity bit and of the stop bit [bit].
    offsets: Times = np.arange(11 if has_parity else 10, dtype=np.float64) + 0.5
    return offsets


# With fewer falling edges than this, one by one is quicker.
_WORTH_A_TABLE = 8


def _receive_run(
    edges_ns: Times, first: int, until_ns: float, timing: UartTiming, out: Received
) -> int | None:
    """Take undamaged characters at the beginning, all at once.

    Args:
        edges_ns: As for `receive`.
        first: Level before the first edge.
        until_ns: As for `receive`.
        timing: As for `receive`.
        out: Gets the characters.

    Returns:
        Edges that were used up by the time hunting went on, or None when nothing was taken.
    """
    bit = timing.bit_ns
    parity = timing.settings.parity
    has_parity = parity is not Parity.NONE
    falling = edges_ns[1 - first :: 2]
    if len(falling) < _WORTH_A_TABLE:
        return None
    offsets = _sample_offsets(has_parity) * bit
    following = falling.searchsorted(falling + offsets[-1], "right").tolist()
    chain: list[int] = []
    place, count = 0, len(falling)
    while place < count:
        chain.append(place)
        place = following[place]
    starts = falling[chain]
    last = int(starts.searchsorted(until_ns - timing.character_ns, "right"))
    starts = starts[:last]
    passed = edges_ns.searchsorted(starts[:, None] + offsets, "right")
    bits = ((passed ^ first) & 1).astype(np.uint8)
    clean = (bits[:, 0] == 0) & (bits[:, -1] == 1)
    taken = len(starts) if clean.all() else int(clean.argmin())
    if taken == 0:
        return None
    starts, bits = starts[:taken], bits[:taken]
    out.values += np.packbits(bits[:, 1:9], axis=1, bitorder="little").tobytes()
    out.marks += [Mark.GOOD] * taken
    if has_parity:
        wrong = (bits[:, 1:10].sum(axis=1) & 1) != (parity is Parity.ODD)
        for index in np.flatnonzero(wrong):
            out.marks[index] = Mark.PARITY
    out.starts_ns += np.rint(starts).astype(np.int64).tolist()
    out.ends_ns += np.rint(starts + timing.character_ns).astype(np.int64).tolist()
    out.resumes += (starts + offsets[-1]).tolist()
    return int(passed[taken - 1, -1])


def receive(
    edges_ns: Times | Sequence[float], resume: Resume, until_ns: float, timing: UartTiming
) -> tuple[Received, Resume]:
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
    out = Received()
    first, edge, forced = resume.level, 0, resume.start_ns
    array = np.asarray(edges_ns, dtype=np.float64)
    if forced is None:
        edge = _receive_run(array, first, until_ns, timing, out) or 0
        if edge == len(array):
            return out, Resume(until_ns, first ^ (edge & 1))
    return out, _receive_one_by_one(array.tolist(), first, edge, forced, until_ns, timing, out)


def _receive_one_by_one(
    edges_ns: list[float],
    first: int,
    edge: int,
    forced: float | None,
    until_ns: float,
    timing: UartTiming,
    out: Received,
) -> Resume:
    """Take whatever comes; `edge` edges are used up, `forced` is a start that needs no edge."""
    bit = timing.bit_ns
    parity = timing.settings.parity
    has_parity = parity is not Parity.NONE
    odd = parity is Parity.ODD
    stop_offset = (10.5 if has_parity else 9.5) * bit
    length = timing.character_ns
    restart = timing.after_framing_error is AfterFramingError.RESTART
    count = len(edges_ns)
    # Level after k edges is `first ^ (k & 1)`, as every edge toggles.
    while True:
        if forced is None:
            if (first ^ (edge & 1)) == 0:
                edge += 1
            if edge >= count:
                return Resume(until_ns, first ^ (count & 1))
            start = edges_ns[edge]
            if start + 0.5 * bit > until_ns:
                return Resume(start, 1, None, True)
            k = bisect_right(edges_ns, start + 0.5 * bit, edge)
            if first ^ (k & 1):
                edge = k
                continue
        else:
            start = forced
            k = edge
        if start + length > until_ns:
            if forced is None:
                return Resume(start, 1, None, True)
            level = first ^ (bisect_left(edges_ns, start) & 1)
            return Resume(start, level, start, True)
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
        after: Resume | float = hunt
        if first ^ (edge & 1):
            mark = Mark.PARITY if wrong_parity else Mark.GOOD
        elif value == 0 and not parity_bit:
            mark = Mark.BREAK
            after = Resume(hunt, 0)
        else:
            mark = Mark.FRAMING_PARITY if wrong_parity else Mark.FRAMING
            if restart:
                forced = hunt - 0.5 * bit
            after = Resume(hunt, 0, forced)
        out.values.append(value)
        out.marks.append(mark)
        out.starts_ns.append(round(start))
        out.ends_ns.append(round(start + length))
        out.resumes.append(after)
