"""Some bytes, explained: which frames they hold, what those say, and what the rest may mean."""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.wire.functions import EXCEPTION_BIT, Role
from busprobe.wire.hexadecimal import parse_hex
from busprobe.wire.junk import meanings
from busprobe.wire.pdu import matches
from busprobe.wire.remains import Surroundings
from busprobe.wire.rtu import Piece, split
from busprobe.wire.words import describe

__all__ = ["ExplainedFrame", "Explanation", "Junk", "explain", "parse_hex"]

EXCEPTION = "exception"


@dataclass(frozen=True, slots=True)
class ExplainedFrame:
    """A frame with its meaning.

    Attributes:
        offset: Where it begins.
        length: Its length, CRC included [byte].
        role: "request", "response" or "exception".
        address: Who is asked, or answers.
        function: Function code without the exception bit.
        text: What it says.
    """

    offset: int
    length: int
    role: str
    address: int
    function: int
    text: str


@dataclass(frozen=True, slots=True)
class Junk:
    """Bytes of no frame.

    Attributes:
        offset: Where they begin.
        hex: The bytes.
        meaning: What they may mean, or "unknown".
    """

    offset: int
    hex: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything in order; frames and junk together hold every byte."""

    frames: tuple[ExplainedFrame, ...]
    junk: tuple[Junk, ...]


def explain(data: bytes) -> Explanation:
    """Explain some bytes of a serial line."""
    pieces = split(data)
    frames: list[ExplainedFrame] = []
    junk: list[Junk] = []
    asked: Piece | None = None
    unanswered: list[Piece] = []
    junk_before = b""
    for number, piece in enumerate(pieces):
        if piece.role is None:
            # Junk is kept in one piece, so its neighbours are frames.
            around = Surroundings(number > 0, number + 1 < len(pieces), asked, junk_before)
            for judged in meanings(piece.data, around):
                # The next frame may begin with what the last of these lacks.
                junk_before = piece.data[judged.start : judged.stop]
                at = piece.offset + judged.start
                junk.append(Junk(at, junk_before.hex(" ").upper(), judged.text))
            continue
        earlier = None
        if piece.role is Role.RESPONSE:
            earlier = next((r for r in reversed(unanswered) if _answers(r, piece)), None)
        frames.append(_frame(piece, asked, earlier))
        if piece.role is Role.REQUEST:
            asked = piece
            unanswered.append(piece)
        elif earlier is not None:
            unanswered.remove(earlier)
            asked = None if earlier is asked else asked
    return Explanation(tuple(frames), tuple(junk))


def _answers(asked: Piece, piece: Piece) -> bool:
    return asked.address == piece.address and matches(asked.pdu, piece.pdu)


def _frame(piece: Piece, asked: Piece | None, earlier: Piece | None) -> ExplainedFrame:
    """Say what a frame says.

    Args:
        piece: It.
        asked: The request before it, while that is unanswered.
        earlier: The latest unanswered request that it answers.
    """
    pdu = piece.pdu
    role = str(piece.role)
    text = describe(pdu, piece.role or Role.RESPONSE)
    if piece.role is Role.RESPONSE:
        if pdu[0] & EXCEPTION_BIT:
            role = EXCEPTION
        if earlier is not None:
            text = describe(pdu, Role.RESPONSE, earlier.pdu)
        if asked is not None and earlier is not None and earlier is not asked:
            text += (
                f" (late: answers the request at {earlier.offset}; a master that has given up takes"
                f" it for the answer to address {asked.address} at {asked.offset})"
            )
        elif earlier is None and asked is not None:
            text += " (not an answer to the request before)"
    elif (
        asked is not None
        and asked.data == piece.data
        and asked.offset + len(asked.data) == (piece.offset)
    ):
        text += " (the same again: an echo, or asked twice)"
    elif piece.address == 0:
        text += " (to every device)"
    return ExplainedFrame(piece.offset, len(piece.data), role, piece.address, pdu[0] & 0x7F, text)
