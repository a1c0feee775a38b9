"""One request and everything that was heard after it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.chunk import Chunk, Mark
from busprobe.model.line import LineSettings


@dataclass(frozen=True, slots=True)
class Frame:
    """A whole and undamaged ADU.

    Attributes:
        address: Serial address or TCP unit id.
        pdu: Function code and data, without address and check.
        t_start_ns: Start of its first character, as well as it is known [ns].
        t_end_ns: End of its last character [ns].
        raw: The ADU as it was on the link, check or MBAP header included.
    """

    address: int
    pdu: bytes
    t_start_ns: int
    t_end_ns: int
    raw: bytes

    @property
    def function(self) -> int:
        """Function code without the exception bit."""
        return self.pdu[0] & 0x7F

    @property
    def exception(self) -> int | None:
        """Exception code, or None when this is not an exception response."""
        return self.pdu[1] if self.pdu[0] & 0x80 and len(self.pdu) == 2 else None


@dataclass(frozen=True, slots=True)
class Unframed:
    """Bytes that belong to no frame: evidence, not garbage.

    Attributes:
        data: The bytes.
        t_ns: When the last of them was received [ns].
        marks: One mark per byte, or None where the link cannot tell.
    """

    data: bytes
    t_ns: int
    marks: tuple[Mark, ...] | None = None


class Outcome(StrEnum):
    """What a device (or the line) made of a request."""

    ANSWERED = "answered"
    """One valid response from the address asked, and nothing else."""
    EXCEPTION = "exception"
    """One valid exception response from the address asked, and nothing else."""
    SILENT = "silent"
    """No byte was received."""
    DAMAGED = "damaged"
    """Bytes, but no valid response to this request among them."""
    CROWDED = "crowded"
    """A valid response with further bytes before or after it, or more than one response."""
    MISADDRESSED = "misaddressed"
    """A valid frame, but from another address or for another function."""
    LATE = "late"
    """The response to an earlier request was heard instead of one to this request."""


@dataclass(frozen=True, slots=True)
class Exchange:
    """A request with everything that was heard until the bus was quiet again.

    Attributes:
        number: Counts the exchanges of a bus from 1; findings cite it.
        request: What was asked.
        outcome: What came of it.
        answer: The response from the address asked, if any.
        pieces: Everything received in wire order, an echo of the request excluded.
        echo: Whether our own request came back first.
        turnaround_ns: End of request to start of the first byte received after it [ns], or None.
        turnaround_uncertainty_ns: How much less the turn-around may have been [ns].
        listened_ns: How long the bus listened after the end of the request [ns].
        chunks: The chunks, sent and received.
        sent_at: Settings at which the request was sent, where they were not those in force.
    """

    number: int
    request: Frame
    outcome: Outcome
    answer: Frame | None
    pieces: tuple[Frame | Unframed, ...]
    echo: bool
    turnaround_ns: int | None
    turnaround_uncertainty_ns: int
    listened_ns: int
    chunks: tuple[Chunk, ...]
    sent_at: LineSettings | None = None

    @property
    def heard(self) -> bytes:
        """All bytes received, an echo included."""
        return b"".join(c.data for c in self.chunks if c.direction == "received")

    @property
    def proves_device(self) -> bool:
        """Whether a device at the address asked must exist (an exception proves it too).

        Exceptions 0A and 0B come from a gateway in place of the device (MODBUS Application Protocol
        V1.1b3, section 7): they prove the gateway only.
        """
        return self.answer is not None and self.answer.exception not in (0x0A, 0x0B)
