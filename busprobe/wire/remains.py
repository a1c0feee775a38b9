"""Remains of frames: turned, cut, damaged, or without their start.

A judgement names the span of the bytes it explains; the bytes around it are judged on their own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.wire.crc import CRC_LENGTH, LONGEST_ADU, SHORTEST_ADU, crc16
from busprobe.wire.functions import FunctionCode, Role, function_name
from busprobe.wire.likely import LIKELY_AS
from busprobe.wire.pdu import response_length
from busprobe.wire.rtu import Piece
from busprobe.wire.stitching import stitch, turned
from busprobe.wire.structure import IMPOSSIBLE, MORE, lengths

_REGISTER_READS = (FunctionCode.READ_HOLDING_REGISTERS, FunctionCode.READ_INPUT_REGISTERS)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """Where some junk was heard.

    Attributes:
        before: Whether a frame is just before it.
        after: Whether a frame is just after it.
        asked: The request that was open then, if any.
        junk_before: The junk before the latest frame, if any.
    """

    before: bool = False
    after: bool = False
    asked: Piece | None = None
    junk_before: bytes = b""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a span of some bytes may mean."""

    start: int
    stop: int
    text: str


def misplaced(data: bytes, around: Surroundings) -> Judgement | None:
    """Recognise a frame whose end was handed over at the wrong time."""
    found = turned(data)
    if found:
        return Judgement(
            0,
            len(data),
            f"a whole {found.role} whose last {_bytes(found.moved)} came first"
            f" ({found.data.hex(' ').upper()}): an adapter or driver hands over the end of a frame"
            " with the next one - not noise",
        )
    joined = stitch(around.junk_before, data) if around.junk_before else None
    if joined:
        return Judgement(
            0,
            joined.moved,
            f"begins with the last {_bytes(joined.moved)} of the {joined.role} before"
            f" ({joined.data.hex(' ').upper()}): handed over late, not noise",
        )
    return None


def _bytes(count: int) -> str:
    return "byte" if count == 1 else f"{count} bytes"


@dataclass(frozen=True, slots=True)
class _Header:
    """A place where a frame may have begun."""

    start: int
    role: Role
    length: int
    expected: bool


def _headers(data: bytes, around: Surroundings) -> Iterator[_Header]:
    # The response that was waited for, anywhere; else what may begin here, glitches set aside.
    asked = around.asked
    if asked is not None:
        normal = response_length(asked.pdu)
        for start in range(min(len(data) - 1, LONGEST_ADU)):
            if data[start] != asked.address or data[start + 1] & 0x7F != asked.pdu[0]:
                continue
            length = lengths(data[start + 1 :], Role.RESPONSE)
            if length in (MORE, IMPOSSIBLE):
                continue
            if normal is None or length == normal or data[start + 1] & 0x80:
                yield _Header(start, Role.RESPONSE, length + 1 + CRC_LENGTH, True)
    start = len(data) - len(data.lstrip(b"\0\xff"))
    for role in Role:
        if LIKELY_AS[role].match(data, start):
            length = lengths(data[start + 1 :], role)
            if length not in (MORE, IMPOSSIBLE):
                yield _Header(start, role, length + 1 + CRC_LENGTH, False)


def broken(data: bytes, around: Surroundings) -> Judgement | None:
    """Recognise a frame that was cut or damaged, by its header."""
    for header in _headers(data, around):
        have = len(data) - header.start
        text = _cut(data, header) if have < header.length else _damaged(data, header)
        if text:
            return Judgement(header.start, header.start + min(have, header.length), text)
    return None


def _cut(data: bytes, header: _Header) -> str:
    have = len(data) - header.start
    missing = header.length - have
    if missing == 1:
        # The first byte of the CRC is there and can be tested.
        if crc16(data[header.start : -1]) & 0xFF != data[-1]:
            return ""
        return (
            f"a {header.role} from which only the last byte is missing ({have} of {header.length}"
            " bytes, what is there agrees with the CRC): cut by an adapter or direction switch, or"
            " read one byte short"
        )
    if have < SHORTEST_ADU:
        return ""
    if header.expected:
        return (
            f"the expected response, cut: {have} of {header.length} bytes came, {missing} are"
            " missing at the end"
        )
    return (
        f"looks like the first {have} of the {header.length} bytes of a {header.role}: cut, so"
        " there is no CRC to test it with"
        if have >= header.length // 2
        else ""
    )


def _damaged(data: bytes, header: _Header) -> str:
    frame = data[header.start : header.start + header.length]
    right = crc16(frame[:-CRC_LENGTH]).to_bytes(CRC_LENGTH, "little")
    what = "the expected response" if header.expected else f"a {header.role}"
    told = (
        f"looks like {what} of address {frame[0]} ({function_name(frame[1])}), damaged: its CRC is"
        f" {frame[-2:].hex(' ').upper()} where {right.hex(' ').upper()} would be right"
    )
    bit = _one_wrong_bit(frame)
    if frame[-CRC_LENGTH:] == right[::-1]:
        told += " - the same bytes in the other order: the sender puts its CRC the wrong way round"
    elif bit is not None:
        told += f"; one wrong bit explains it (bit {bit % 8} of byte {bit // 8 + 1})"
    return told


def _one_wrong_bit(frame: bytes) -> int | None:
    """Give the place of the single bit whose flip makes the CRC right, if there is one."""
    syndrome = crc16(frame)
    for bit in range(8):
        register = crc16(bytes((1 << bit,)), 0)
        for place in range(len(frame) - 1, -1, -1):
            if register == syndrome:
                return place * 8 + bit
            register = crc16(b"\0", register)
    return None


def lost_start(data: bytes, around: Surroundings) -> Judgement | None:
    """Recognise a read response whose first characters were destroyed.

    A driver that is released too late does that and leaves the rest intact (esphome_modbus_bridge
    #23: C5 30 00 01 48 F3 for 15 04 02 00 01 48 F3). The header that is gone is known from the
    request; without one, every header that the length allows is tried, and chance fits one to about
    1 in 130 pieces of noise.
    """
    if not SHORTEST_ADU <= len(data) <= LONGEST_ADU:
        return None
    asked = around.asked
    addresses = (asked.address,) if asked else tuple(range(FIRST_ADDRESS, LAST_ADDRESS + 1))
    functions = (asked.pdu[0],) if asked else _REGISTER_READS
    found = []
    for left in (0, 1, 2, 3) if asked else (1, 2):
        tail = data[left:]
        count = len(tail) - CRC_LENGTH
        if count < 2 or count % 2:
            continue
        for address in addresses:
            for function in functions:
                frame = bytes((address, function, count)) + tail
                fits = lengths(frame[1:], Role.RESPONSE) + 1 + CRC_LENGTH == len(frame)
                if fits and crc16(frame) == 0:
                    found.append((frame, left))
    if len(found) != 1:
        return None
    frame, left = found[0]
    return Judgement(
        0,
        len(data),
        f"{'' if asked else 'could be '}the response {frame.hex(' ').upper()} with its start"
        f" destroyed ({_bytes(left)} in place of the first 3, the rest agrees with the CRC):"
        " another driver was still on the bus - released too late, or the device answers too fast",
    )
