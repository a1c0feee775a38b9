"""Modbus TCP frames.

Source: MODBUS Messaging on TCP/IP Implementation Guide V1.0b, section 3.1.3. All big-endian:

    transaction (2) | protocol = 0 (2) | length of unit and PDU (2) | unit (1) | PDU (1..253)

TCP keeps no frame borders, so frames are cut out of a stream by their length. A header that cannot
be right has lost the border; what follows is searched for the next header that can be, and there
the PDU has to have the structure that its length claims.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct

from busprobe.wire.structure import (
    LONGEST_PDU,
    MORE,
    REQUEST_RULES,
    RESPONSE_RULES,
    length_at,
)

_HEADER = Struct(">HHHB")
HEADER_LENGTH = 7
LONGEST_ADU = HEADER_LENGTH + LONGEST_PDU
# Unit and at least a function code; unit and the longest PDU.
_LEAST, _MOST = 2, 1 + LONGEST_PDU


@dataclass(frozen=True, slots=True)
class Adu:
    """One frame.

    Attributes:
        transaction: Number that pairs a response with its request.
        unit: Unit id.
        pdu: Function code and data.
        raw: The frame as it was on the link.
    """

    transaction: int
    unit: int
    pdu: bytes
    raw: bytes


@dataclass(frozen=True, slots=True)
class Malformed:
    """Bytes of the stream that are no frame.

    Attributes:
        data: The bytes.
        reason: Why not, in words.
    """

    data: bytes
    reason: str


def encode(transaction: int, unit: int, pdu: bytes) -> bytes:
    """Wrap a PDU.

    Args:
        transaction: 0..65535.
        unit: 0..255.
        pdu: 1 to 253 bytes.

    Raises:
        ValueError: A part is out of its range.
    """
    if not 0 <= transaction <= 0xFFFF:
        raise ValueError(f"transaction {transaction} is not in 0..65535")
    if not 0 <= unit <= 0xFF:
        raise ValueError(f"unit {unit} is not in 0..255")
    if not 1 <= len(pdu) <= LONGEST_PDU:
        raise ValueError(f"a PDU of {len(pdu)} bytes is not in 1..{LONGEST_PDU}")
    return _HEADER.pack(transaction, 0, len(pdu) + 1, unit) + pdu


def _fault(buffer: bytes | bytearray, at: int, stop: int) -> str:
    # Judges as much of the header as is there; "" when nothing speaks against it.
    have = stop - at
    for byte in (2, 3):
        if have > byte and buffer[at + byte]:
            whole = have >= 4
            protocol = buffer[at + 2 : at + 4].hex().upper() if whole else "other than 0000"
            return f"protocol id {protocol} where Modbus has 0000"
    if have >= 6:
        length = buffer[at + 4] << 8 | buffer[at + 5]
        if length < _LEAST:
            return f"length {length} leaves no room for a unit id and a function code"
        if length > _MOST:
            return f"length {length} is more than the {_MOST} bytes of the longest frame"
    elif have == 5 and buffer[at + 4]:
        return f"length is more than the {_MOST} bytes of the longest frame"
    return ""


class Decoder:
    """Cuts frames out of a stream that arrives in any pieces.

    Bytes are judged once their header is whole, so the result does not depend on the pieces. After
    a header that cannot be right, bytes are passed over until one can be; they are given as one
    `Malformed` when the next frame is whole, or at the end.
    """

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._bad = 0  # bytes at the front that are no frame
        self._reason = ""

    @property
    def pending(self) -> bytes:
        """The bytes not yet given out."""
        return bytes(self._buffer)

    def feed(self, data: bytes) -> tuple[Adu | Malformed, ...]:
        """Take further bytes and give what has become whole."""
        self._buffer += data
        buffer = self._buffer
        found: list[Adu | Malformed] = []
        while len(buffer) - self._bad >= HEADER_LENGTH - 1:
            at = self._bad
            fault = _fault(buffer, at, len(buffer))
            if fault or (at and not _consistent(buffer, at)):
                self._reason = self._reason or fault
                self._bad += 1
                continue
            end = at + 6 + (buffer[at + 4] << 8 | buffer[at + 5])
            if end > len(buffer):
                break
            if at:
                found.append(self._malformed(at))
            raw = bytes(buffer[: end - at])
            del buffer[: end - at]
            transaction, _, _, unit = _HEADER.unpack_from(raw)
            found.append(Adu(transaction, unit, raw[HEADER_LENGTH:], raw))
        return tuple(found)

    def flush(self) -> tuple[Malformed, ...]:
        """Give the rest, at the end of a connection or when nothing more is expected."""
        if not self._buffer:
            return ()
        self._reason = self._reason or _cut(self._buffer)
        return (self._malformed(len(self._buffer)),)

    def _malformed(self, length: int) -> Malformed:
        piece = Malformed(bytes(self._buffer[:length]), self._reason)
        del self._buffer[:length]
        self._bad, self._reason = 0, ""
        return piece


def _consistent(buffer: bytearray, at: int) -> bool:
    # Whether the PDU, as far as it is here, can have the length of the header.
    length = (buffer[at + 4] << 8 | buffer[at + 5]) - 1
    stop = min(at + HEADER_LENGTH + length, len(buffer))
    return any(
        length_at(buffer, at + HEADER_LENGTH, stop, rules) in (MORE, length)
        for rules in (REQUEST_RULES, RESPONSE_RULES)
    )


def _cut(buffer: bytearray) -> str:
    fault = _fault(buffer, 0, len(buffer))
    if fault:
        return fault
    if len(buffer) < HEADER_LENGTH:
        return f"cut off: {len(buffer)} of the {HEADER_LENGTH} bytes of a header"
    whole = 6 + (buffer[4] << 8 | buffer[5])
    return f"cut off: {len(buffer)} of {whole} bytes"
