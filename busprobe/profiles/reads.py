"""A read request and what may come of it, without any notion of a bus."""

from __future__ import annotations

from dataclasses import dataclass

READ_HOLDING = 3
READ_INPUT = 4
# MODBUS Application Protocol V1.1b3, sections 6.3 and 6.4: registers in one read.
MOST_REGISTERS = 125
HIGHEST_REGISTER = 65535
# MODBUS Application Protocol V1.1b3, section 7.
ILLEGAL_DATA_ADDRESS = 2


@dataclass(frozen=True, slots=True)
class RegisterRead:
    """A read request.

    Attributes:
        function: 3 (holding registers) or 4 (input registers).
        address: Of the first register, from 0 as on the wire.
        quantity: Registers.
        purpose: Why, in words.
    """

    function: int
    address: int
    quantity: int
    purpose: str


@dataclass(frozen=True, slots=True)
class ReadFailure:
    """A read that brought no registers.

    Attributes:
        exception: The exception code the device answered with, or None when no usable answer came.
    """

    exception: int | None = None

    def __str__(self) -> str:
        return "no usable answer" if self.exception is None else f"exception {self.exception:02d}"
