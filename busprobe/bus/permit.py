"""Leave to write: the bus refuses every other write request."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.wire.functions import FunctionCode

# MODBUS Application Protocol V1.1b3: all functions that change something in a device, and two
# diagnostics that restart or silence it (section 6.8).
WRITING_FUNCTIONS = frozenset(
    (
        FunctionCode.WRITE_SINGLE_COIL,
        FunctionCode.WRITE_SINGLE_REGISTER,
        FunctionCode.WRITE_MULTIPLE_COILS,
        FunctionCode.WRITE_MULTIPLE_REGISTERS,
        FunctionCode.MASK_WRITE_REGISTER,
        FunctionCode.READ_WRITE_MULTIPLE_REGISTERS,
        0x15,
    )
)
_HARMLESS_DIAGNOSTICS = (0x0000, 0x0002, *range(0x0B, 0x13))
# Sections 6.6 and 6.12: the only two that a permit can cover.
_COVERED = (FunctionCode.WRITE_SINGLE_REGISTER, FunctionCode.WRITE_MULTIPLE_REGISTERS)


def changes_a_device(request: bytes) -> bool:
    """Whether a request can change something in a device."""
    if request[0] == FunctionCode.DIAGNOSTICS:
        return int.from_bytes(request[1:3], "big") not in _HARMLESS_DIAGNOSTICS
    return request[0] in WRITING_FUNCTIONS


@dataclass(frozen=True, slots=True)
class WritePermit:
    """What somebody confirmed may be written.

    Attributes:
        address: The device.
        registers: The registers, and no others.
        confirmed_by: Who confirmed it and how, for the record.
        new_address: Where the same device may answer once its address is written, or None.
    """

    address: int
    registers: frozenset[int]
    confirmed_by: str
    new_address: int | None = None

    def covers(self, address: int, request: bytes) -> bool:
        """Whether it covers a write request to a device."""
        if address not in (self.address, self.new_address) or request[0] not in _COVERED:
            return False
        first = int.from_bytes(request[1:3], "big")
        count = (
            1
            if request[0] == FunctionCode.WRITE_SINGLE_REGISTER
            else int.from_bytes(request[3:5], "big")
        )
        return self.registers.issuperset(range(first, first + count))
