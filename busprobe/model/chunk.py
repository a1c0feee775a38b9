"""Bytes as they crossed the link, with their time: the raw evidence."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Direction(StrEnum):
    """Who put the bytes on the link."""

    SENT = "sent"
    RECEIVED = "received"


class Mark(StrEnum):
    """What the receiver hardware said about one character, in the notation of the documentation."""

    GOOD = "."
    FRAMING = "F"
    PARITY = "P"
    FRAMING_PARITY = "X"
    BREAK = "B"
    DAMAGED = "E"
    """Framing or parity, unknown which; some links say so of a whole packet."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes that were sent or received in one go.

    Attributes:
        direction: Sent by us or received.
        t_ns: On the link's clock [ns]. Sent: the instant the first bit left. Received: the instant
            the last byte was in our hands.
        data: The bytes.
        uncertainty_ns: The last byte ended on the wire within ``[t_ns - uncertainty_ns, t_ns]``
            [ns].
        marks: One mark per byte, or None where the link cannot tell: then line errors are
            *unknown*, not absent.
    """

    direction: Direction
    t_ns: int
    data: bytes
    uncertainty_ns: int = 0
    marks: tuple[Mark, ...] | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """A leap of the clock between two chunks: nothing was sent or taken meanwhile.

    Attributes:
        t_ns: On the link's clock [ns], after the leap.
        leap_ns: How far it leapt [ns].
    """

    t_ns: int
    leap_ns: int
