"""Which registers the duplicate test asks for."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from busprobe.wire import pdu

# SunSpec common model (model 1): the serial number lies 50 registers after the ID register, which
# follows the marker of two registers.
MARKER_REGISTERS = 2
_SUNSPEC_MARK = b"SunS"
SERIAL_OFFSET = 52
SERIAL_REGISTERS = 16
# Marker, ID, length and maker: the same in two meters of one kind, and about as long as the serial
# number, so that a bad line damages both equally.
_ALIKE_REGISTERS = 20
# Marker, and the common model with its ID and length: all that identifies a device.
_COMMON_REGISTERS = 70
# As much of a map of which nothing is known.
_STRETCH_REGISTERS = 60
# Readings behind ID and length of a meter model; no other answer is as long.
_LIVE_REGISTERS = 15


class Sort(StrEnum):
    """Sorts of questions, by what their answers are like in two devices."""

    SHORT = "short"
    """A few bytes: a disturbed line spares most of them."""
    ALIKE = "alike"
    """Long, and the same data in devices of one kind."""
    UNLIKE = "unlike"
    """Long, and different data in any two devices."""
    LONGEST = "longest"
    """So long that two bit clocks come apart, with different data in any two devices."""


@dataclass(frozen=True, slots=True)
class Question:
    """One kind of read in the rotation.

    Attributes:
        pdu: The request.
        sort: What its answers are like.
        fixed: Whether one device always answers the same.
        serial: Whether the answer is the serial number.
        purpose: What is read, in words.
        data: What every device must answer, where that is known.
    """

    pdu: bytes
    sort: Sort
    fixed: bool
    serial: bool
    purpose: str
    data: bytes = b""


def questions(base: int | None, function: int, readings: int | None) -> tuple[Question, ...]:
    """The rotation of questions; their answers all have different lengths.

    Args:
        base: Where the SunSpec map starts; None when there is none.
        function: Function code of the reads.
        readings: Register of the ID of a meter model, None where it is not known.
    """

    def read(register: int, count: int, sort: Sort, what: str, fixed: bool) -> Question:
        serial = what == "the serial number"
        return Question(pdu.read_registers(function, register, count), sort, fixed, serial, what)

    if base is None:
        short = read(0, 2, Sort.SHORT, "a short stretch", False)
        # Not from register 0, whose number has no 1 (`margins`), and between values of 32 bits.
        long = read(2, 14, Sort.UNLIKE, "a long stretch", False)
        longer = read(0, 20, Sort.UNLIKE, "a longer stretch", False)
        longest = read(0, _STRETCH_REGISTERS, Sort.LONGEST, "the longest stretch", False)
        return (short, longest, long, short, longer)
    serial = read(base + SERIAL_OFFSET, SERIAL_REGISTERS, Sort.UNLIKE, "the serial number", True)
    mark = replace(
        read(base, MARKER_REGISTERS, Sort.SHORT, "the SunSpec mark", True), data=_SUNSPEC_MARK
    )
    maker = read(base, _ALIKE_REGISTERS, Sort.ALIKE, "what both would hold alike", True)
    all_of_it = read(base, _COMMON_REGISTERS, Sort.LONGEST, "all that identifies it", True)
    live = (
        serial
        if readings is None
        else read(readings + 2, _LIVE_REGISTERS, Sort.UNLIKE, "its readings", False)
    )
    return (mark, all_of_it, serial, live, mark, maker, all_of_it, serial, mark, live)
