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
    if len(adu) <= LONGEST_ADU:
        return is_intact_at(adu, 0, len(adu))
    return crc16(adu) == 0


# The generator 1 + x^2 + x^15 + x^16 is (x + 1)(x^15 + x + 1). A frame is divisible by the first
# factor when its number of ones is even. Modulo the second x^15 = x + 1, and squaring that again
# and again gives x^(15 s) = x^s + 1 for every power of two s: a long frame, taken as one big
# integer, is folded to a remainder in a few shifts.
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
_FOLDS = tuple((15 * s, (1 << 15 * s) - 1, s) for s in (128, 64, 32, 16, 8, 4, 2, 1))
_FOLDS_OF_LENGTH = tuple(
    tuple(fold for fold in _FOLDS if fold[0] < 8 * length) for length in range(LONGEST_ADU + 1)
)
# Below this length [byte] tables are faster, two bytes at a step: the low byte of the register
# moves on by two places, the high one by one.
_FOLDING_PAYS = 24
_TWO_PLACES = tuple(_BYTE_TABLE[one & 0xFF] ^ (one >> 8) for one in _BYTE_TABLE)
_WORDS = tuple(Struct(f"<{length // 2}H").unpack_from for length in range(_FOLDING_PAYS))


def is_intact_at(buffer: bytes | bytearray, start: int, length: int) -> bool:
    """Tell the same of a part of a buffer, several times as fast where it is long.

    Args:
        buffer: Holds at least ``start + length`` bytes.
        start: Where the ADU begins.
        length: Its length, CRC included; longer than `LONGEST_ADU` is no ADU.
    """
    if not SHORTEST_ADU <= length <= LONGEST_ADU:
        return False
    if length < _FOLDING_PAYS:
        register = START
        for word in _WORDS[length](buffer, start):
            register ^= word
            register = _TWO_PLACES[register & 0xFF] ^ _BYTE_TABLE[register >> 8]
        if length & 1:
            last = buffer[start + length - 1]
            register = _BYTE_TABLE[(register ^ last) & 0xFF] ^ (register >> 8)
        return register == 0
    # The bit sent first is the highest power, so the bits of each byte are turned round.
    adu = int.from_bytes(buffer[start : start + length].translate(_REVERSED), "big")
    if adu.bit_count() & 1:
        return False
    adu ^= START << (8 * length - 16)
    for width, low, shift in _FOLDS_OF_LENGTH[length]:
        high = adu >> width
        adu = (adu & low) ^ high ^ (high << shift)
    while adu >> 15:
        high = adu >> 15
        adu = (adu & 0x7FFF) ^ high ^ (high << 1)
    return adu == 0
