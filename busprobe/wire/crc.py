"""CRC-16 of RTU frames.

Source: Modbus over Serial Line V1.02, section 6.2.2: the register starts at FFFFh; each byte is
combined into its low byte, then eight shifts to the right, each combining A001h where a one fell
out. The low byte is sent first. Its worked example is the frame 02 07, sent with 41 12 (the
document prints "4112", the register holds 1241h).

Two properties that resynchronisation has to live with:

1. Run over a whole frame, CRC included, the register ends at 0.
2. From a register of 0 a byte 00 leads to 0 again, so *an intact frame followed by any number of 00
   is intact too*. Only the structure of the PDU tells where the frame ends.
"""

from __future__ import annotations

from functools import cache
from struct import Struct

START = 0xFFFF
CRC_LENGTH = 2
# Address, function code and CRC.
SHORTEST_ADU = 4
# Modbus over Serial Line V1.02, section 2.5.1.1.
LONGEST_ADU = 256

_REFLECTED_POLYNOMIAL = 0xA001


def _shift_out(value: int) -> int:
    for _ in range(8):
        value = (value >> 1) ^ (_REFLECTED_POLYNOMIAL if value & 1 else 0)
    return value


_BYTE_TABLE = tuple(_shift_out(byte) for byte in range(256))


@cache
def _word_table() -> tuple[int, ...]:
    # Two bytes in one step: a little-endian word replaces the whole register of 16 bits.
    table = _BYTE_TABLE
    low = [table[byte] for byte in range(256)]
    return tuple(
        table[(low[word & 0xFF] ^ (word >> 8)) & 0xFF] ^ (low[word & 0xFF] >> 8)
        for word in range(0x10000)
    )


@cache
def _words(count: int) -> Struct:
    return Struct(f"<{count}H")


def crc16(data: bytes, register: int = START) -> int:
    """Run the CRC over some bytes.

    Args:
        data: The bytes, address first.
        register: Where the register stands before them.

    Returns:
        The register after them; its low byte is sent first.
    """
    table = _BYTE_TABLE
    for byte in data:
        register = table[(register ^ byte) & 0xFF] ^ (register >> 8)
    return register


def with_crc(adu_without_crc: bytes) -> bytes:
    """Append the CRC, low byte first."""
    return adu_without_crc + crc16(adu_without_crc).to_bytes(CRC_LENGTH, "little")


def is_intact(adu: bytes) -> bool:
    """Tell whether a whole ADU, CRC included, is undamaged.

    Only for bytes whose length is known to be right: see property 2 above.
    """
    return len(adu) >= SHORTEST_ADU and crc16(adu) == 0


def is_intact_at(buffer: bytes | bytearray, start: int, length: int) -> bool:
    """Tell the same of a part of a buffer, about twice as fast.

    Args:
        buffer: Holds at least ``start + length`` bytes.
        start: Where the ADU begins.
        length: Its length, CRC included.
    """
    table = _word_table()
    register = START
    for word in _words(length >> 1).unpack_from(buffer, start):
        register = table[register ^ word]
    if length & 1:
        register = _BYTE_TABLE[(register ^ buffer[start + length - 1]) & 0xFF] ^ (register >> 8)
    return register == 0
