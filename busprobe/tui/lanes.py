"""Who spoke when: an exchange as one lane for each speaker the evidence tells apart.

Rules:
 1. The laptop speaks the request.
 2. A whole frame belongs to the address in it.
 3. Where two devices share that address, a frame belongs to the one whose serial number stands in
    it. Nobody answers twice, so of two whole answers each has a speaker of its own, though which of
    the two devices it was stays open.
 4. Everything else, above all bytes that form no frame, was spoken by both or by nobody known: it
    gets a lane that says so.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from busprobe.model.exchange import Exchange, Frame, Unframed

UNKNOWN = "both / unknown"


class Speaker(StrEnum):
    """What kind of lane it is."""

    LAPTOP = "laptop"
    DEVICE = "device"
    STRANGER = "stranger"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Span:
    """Somebody speaks.

    Attributes:
        start_ns, end_ns: When, on the link's clock [ns]; of bytes without frame the start is
            reckoned from their number.
    """

    start_ns: int
    end_ns: int


@dataclass(slots=True)
class Lane:
    """One speaker."""

    name: str
    speaker: Speaker
    spans: list[Span] = field(default_factory=list)


def lanes(
    exchange: Exchange, character_ns: int, *, shared: bool = False, serials: tuple[str, ...] = ()
) -> list[Lane]:
    """The lanes of an exchange, the laptop first.

    Args:
        exchange: What was asked and heard.
        character_ns: How long a character takes [ns]; 0 where that is not known.
        shared: Whether more than one device is known to answer at the address asked.
        serials: Serial numbers heard at that address.
    """
    request = exchange.request
    address = request.address
    found = {"": Lane("PC", Speaker.LAPTOP, [Span(request.t_start_ns, request.t_end_ns)])}

    def lane(name: str, speaker: Speaker) -> Lane:
        return found.setdefault(name, Lane(name, speaker))

    own = [p for p in exchange.pieces if isinstance(p, Frame) and p.address == address]
    shared = shared or len(own) > 1
    if shared and any(_serial_in(piece, serials) for piece in own):
        # The silence of one of two known devices is worth seeing too.
        for serial in serials[:2]:
            lane(serial, Speaker.DEVICE)
    voices = iter(("one device", "another device", *(UNKNOWN for _ in own)))
    heard_until = request.t_end_ns
    for piece in exchange.pieces:
        if isinstance(piece, Unframed):
            start = max(heard_until, piece.t_ns - len(piece.data) * character_ns)
            lane(UNKNOWN, Speaker.UNKNOWN).spans.append(Span(start, piece.t_ns))
            heard_until = piece.t_ns
            continue
        heard_until = piece.t_end_ns
        if piece.address != address:
            where = lane(f"address {piece.address}", Speaker.STRANGER)
        elif not shared:
            where = lane(f"address {address}", Speaker.DEVICE)
        elif (told := _serial_in(piece, serials)) is not None:
            where = lane(told, Speaker.DEVICE)
        elif len(own) > 1 and (name := next(voices)) != UNKNOWN:
            where = lane(name, Speaker.DEVICE)
        else:
            where = lane(UNKNOWN, Speaker.UNKNOWN)
        where.spans.append(Span(piece.t_start_ns, piece.t_end_ns))
    if len(found) == 1:
        lane(f"address {address}", Speaker.DEVICE)
    return sorted(found.values(), key=lambda one: one.speaker is Speaker.UNKNOWN)


def _serial_in(frame: Frame, serials: tuple[str, ...]) -> str | None:
    """The one serial number that stands in a frame as text."""
    inside = [s for s in serials if s and s.encode("ascii", "ignore") in frame.pdu]
    return inside[0] if len(inside) == 1 else None
