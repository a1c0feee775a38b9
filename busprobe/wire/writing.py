"""The only requests that write.

Nobody but the guarded change of an address or a setting imports this module; a contract of the
import linter holds it to that. Sources: MODBUS Application Protocol V1.1b3, sections 6.6 and 6.12.
"""

from __future__ import annotations

from collections.abc import Sequence
from struct import pack

from busprobe.wire.functions import FunctionCode

# Section 6.12.
MOST_WRITTEN = 123


def write_register(address: int, value: int) -> bytes:
    """Build a request that writes one holding register (section 6.6).

    Args:
        address: Register, 0-based as sent.
        value: Word, 0..65535.

    Raises:
        ValueError: The request would be illegal.
    """
    if not 0 <= address <= 0xFFFF:
        raise ValueError(f"address {address} is not in 0..65535")
    if not 0 <= value <= 0xFFFF:
        raise ValueError(f"value {value} is not a word")
    return pack(">BHH", FunctionCode.WRITE_SINGLE_REGISTER, address, value)


def write_registers(address: int, values: Sequence[int]) -> bytes:
    """Build a request that writes consecutive holding registers (section 6.12).

    Args:
        address: First register, 0-based as sent.
        values: 1 to 123 words.

    Raises:
        ValueError: The request would be illegal.
    """
    count = len(values)
    if not 1 <= count <= MOST_WRITTEN:
        raise ValueError(f"{count} registers are not in 1..{MOST_WRITTEN}")
    if not 0 <= address <= 0x10000 - count:
        raise ValueError(f"addresses {address}..{address + count - 1} are not in 0..65535")
    if not all(0 <= value <= 0xFFFF for value in values):
        raise ValueError("a value is not a word")
    function = FunctionCode.WRITE_MULTIPLE_REGISTERS
    return pack(f">BHHB{count}H", function, address, count, 2 * count, *values)
