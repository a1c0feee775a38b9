"""Values to registers, by SunSpec type, with the values that mean "not implemented".

The type table is that of the published model definitions and of the reference implementation that
ships with them (package pysunspec2, module mb).
"""

from __future__ import annotations

import math
import struct

_INTEGERS = {
    "int16": ("h", 0x8000),
    "uint16": ("H", 0xFFFF),
    "enum16": ("H", 0xFFFF),
    "bitfield16": ("H", 0xFFFF),
    "count": ("H", 0xFFFF),
    "acc16": ("H", 0),
    "sunssf": ("h", 0x8000),
    "pad": ("H", 0x8000),
    "int32": ("i", 0x80000000),
    "uint32": ("I", 0xFFFFFFFF),
    "enum32": ("I", 0xFFFFFFFF),
    "bitfield32": ("I", 0xFFFFFFFF),
    "acc32": ("I", 0),
    "int64": ("q", 0x8000000000000000),
    "uint64": ("Q", 0xFFFFFFFFFFFFFFFF),
    "acc64": ("Q", 0),
}
_FLOATS = {"float32": ("f", 0x7FC00000), "float64": ("d", 0x7FF8000000000000)}
_WIDTH = {"h": 2, "H": 2, "i": 4, "I": 4, "f": 4, "q": 8, "Q": 8, "d": 8}


def _words(data: bytes) -> list[int]:
    return list(struct.unpack(f">{len(data) // 2}H", data))


def text_registers(text: bytes, size: int) -> list[int]:
    """Text as registers, high byte first, padded with NUL and cut to `size` registers."""
    return _words(text[: 2 * size].ljust(2 * size, b"\0"))


def number_registers(kind: str, value: float | None, size: int) -> list[int]:
    """A number as registers, high word first.

    Integers that do not fit wrap around, as they do in a device's firmware.

    Args:
        kind: A SunSpec type.
        value: The number in units of the register (already scaled), or None for not implemented.
        size: Registers.

    Raises:
        KeyError: Not a numeric type.
    """
    if kind in _FLOATS:
        letter, missing = _FLOATS[kind]
        if value is None or math.isnan(value):
            return _words(missing.to_bytes(2 * size, "big"))
        return _words(struct.pack(f">{letter}", value))
    letter, missing = _INTEGERS[kind]
    width = _WIDTH[letter]
    number = missing if value is None else round(value)
    return _words((number % (1 << (8 * width))).to_bytes(width, "big"))
