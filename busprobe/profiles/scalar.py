"""Registers to numbers and texts, by type; and which bit patterns mean "not implemented".

    registers   0x1234 0x5678     word order high first, byte order high first ("ABCD")
    32 bit      0x12345678        SunSpec Device Information Model Specification, data types

Not implemented (SunSpec Device Information Model Specification, section 6.4):

    int16 int32 int64           0x8000...         acc16 acc32 acc64   0
    uint.. enum.. bitfield..    0xFFFF...         ipaddr ipv6addr     0
    sunssf, pad                 0x8000            string              all NUL
    float32 float64             NaN               eui48               FF:FF:FF:FF:FF:FF
"""

from __future__ import annotations

import ipaddress
import struct
from collections.abc import Sequence

from busprobe.model.device_text import device_text
from busprobe.profiles.definitions import PointType

REGISTER_BYTES = 2

SIGNED = frozenset({PointType.INT16, PointType.INT32, PointType.INT64, PointType.SUNSSF})
UNSIGNED = frozenset({PointType.UINT16, PointType.UINT32, PointType.UINT64, PointType.COUNT})
ACCUMULATED = frozenset({PointType.ACC16, PointType.ACC32, PointType.ACC64})
ENUMERATED = frozenset({PointType.ENUM16, PointType.ENUM32})
BITFIELD = frozenset({PointType.BITFIELD16, PointType.BITFIELD32, PointType.BITFIELD64})
FLOATING = frozenset({PointType.FLOAT32, PointType.FLOAT64})
_TEXT = frozenset({PointType.STRING, PointType.IPADDR, PointType.IPV6ADDR, PointType.EUI48})


def register_bytes(registers: Sequence[int]) -> bytes:
    """The bytes of registers as they crossed the wire, high byte first."""
    return struct.pack(f">{len(registers)}H", *registers)


def unsigned(registers: Sequence[int]) -> int:
    """All registers as one unsigned number, high word first."""
    return int.from_bytes(register_bytes(registers), "big")


def signed(registers: Sequence[int]) -> int:
    """All registers as one number in two's complement, high word first."""
    return int.from_bytes(register_bytes(registers), "big", signed=True)


def floating(registers: Sequence[int]) -> float:
    """Two or four registers as an IEEE 754 number, high word first."""
    data = register_bytes(registers)
    return float(struct.unpack(">f" if len(data) == 4 else ">d", data)[0])


def is_implemented(kind: PointType, registers: Sequence[int]) -> bool:
    """Whether these registers hold a value rather than the mark for "not implemented"."""
    bits = 16 * len(registers)
    whole = unsigned(registers)
    if kind in SIGNED or kind is PointType.PAD:
        return whole != 1 << (bits - 1)
    if kind in UNSIGNED or kind in ENUMERATED or kind in BITFIELD:
        return whole != (1 << bits) - 1
    if kind in ACCUMULATED or kind in (PointType.IPADDR, PointType.IPV6ADDR):
        return whole != 0
    if kind in FLOATING:
        value = floating(registers)
        return value == value  # NaN is the only number that differs from itself
    if kind is PointType.STRING:
        # The standard says NUL; a blank or erased (0xFF) text names nobody either.
        data = register_bytes(registers)
        return bool(data.strip(b"\0 ")) and bool(data.strip(b"\xff"))
    if kind is PointType.EUI48:
        address = register_bytes(registers)[-6:]
        return address != b"\xff" * 6 and any(address)
    return True


def number(kind: PointType, registers: Sequence[int]) -> int | float:
    """The number in the registers, before any scale."""
    if kind in FLOATING:
        return floating(registers)
    return signed(registers) if kind in SIGNED else unsigned(registers)


def is_text(kind: PointType) -> bool:
    """Whether values of this type are texts."""
    return kind in _TEXT


def text(kind: PointType, registers: Sequence[int]) -> str:
    """The text in the registers, safe to show."""
    data = register_bytes(registers)
    if kind is PointType.IPADDR:
        return str(ipaddress.IPv4Address(data[:4]))
    if kind is PointType.IPV6ADDR:
        return str(ipaddress.IPv6Address(data[:16]))
    if kind is PointType.EUI48:
        return ":".join(f"{byte:02X}" for byte in data[-6:])
    return device_text(data)


def scaled(value: int, exponent: int) -> int | float:
    """Value times 10^exponent, correctly rounded (a division, not a product with 0.01)."""
    if exponent >= 0:
        return int(value * 10**exponent)
    return float(value / 10**-exponent)
