"""Overheard frames to transactions: who was asked what, and what came of it.

Modbus over Serial Line V1.02, section 2.4.1: the master has one transaction at a time. So a request
is open until its response, or until the next request; a response without an open request answers
something that was not heard.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from enum import StrEnum

from busprobe.wire.functions import EXCEPTION_BIT, Role
from busprobe.wire.pdu import matches
from busprobe.wire.rtu import Piece


class Ending(StrEnum):
    """What came of a request, as far as it was heard."""

    ANSWERED = "answered"
    EXCEPTION = "exception"
    UNANSWERED = "unanswered"
    """Nothing was heard after it."""
    DAMAGED = "damaged"
    """Only bytes of no frame were heard after it."""
    MISMATCHED = "mismatched"
    """A response was heard that cannot be the one to it: other address, function or size."""
    BROADCAST = "broadcast"
    """Sent to address 0, which nobody answers."""
    UNASKED = "unasked"
    """A response whose request was not heard (or a second response)."""


@dataclass(frozen=True, slots=True)
class Transaction:
    """A request and what was heard until the next one.

    Attributes:
        ending: What came of it.
        request: The request; None for `Ending.UNASKED`.
        response: The response, None where there was none.
        junk: Bytes of no frame heard after the request (or before the unasked response).
        ours: Whether the request is one that we sent ourselves.
    """

    ending: Ending
    request: Piece | None
    response: Piece | None
    junk: tuple[Piece, ...] = ()
    ours: bool = False

    @property
    def address(self) -> int:
        """Address asked, or of the unasked response."""
        piece = self.request or self.response
        return piece.address if piece else 0


class Pairing:
    """Pairs pieces as they come."""

    def __init__(self, own: Collection[bytes] = ()) -> None:
        """Begin without an open request.

        Args:
            own: ADUs that we sent ourselves; every other request is a foreign master's.
        """
        self._own = frozenset(own)
        self._request: Piece | None = None
        self._junk: list[Piece] = []

    def feed(self, pieces: Iterable[Piece]) -> tuple[Transaction, ...]:
        """Take further pieces and give the transactions that have ended."""
        ended: list[Transaction] = []
        for piece in pieces:
            if piece.role is None:
                self._junk.append(piece)
            elif piece.role is Role.REQUEST:
                ended += self._close()
                # What came between an answer and this request belongs to neither.
                self._junk = []
                self._request = piece
                if piece.address == 0:
                    ended.append(self._end(Ending.BROADCAST, None))
            else:
                ended.append(self._answer(piece))
        return tuple(ended)

    def flush(self) -> tuple[Transaction, ...]:
        """Give the request that is still open, when nothing more is expected."""
        return self._close()

    def _answer(self, response: Piece) -> Transaction:
        request = self._request
        if request is None:
            return self._end(Ending.UNASKED, response)
        if request.address != response.address or not matches(request.pdu, response.pdu):
            return self._end(Ending.MISMATCHED, response)
        refused = response.pdu[0] & EXCEPTION_BIT
        return self._end(Ending.EXCEPTION if refused else Ending.ANSWERED, response)

    def _close(self) -> tuple[Transaction, ...]:
        if self._request is None:
            return ()
        return (self._end(Ending.DAMAGED if self._junk else Ending.UNANSWERED, None),)

    def _end(self, ending: Ending, response: Piece | None) -> Transaction:
        request = self._request
        ours = request is not None and request.data in self._own
        transaction = Transaction(ending, request, response, tuple(self._junk), ours)
        self._request, self._junk = None, []
        return transaction


def pair(pieces: Iterable[Piece], own: Collection[bytes] = ()) -> tuple[Transaction, ...]:
    """Pair the pieces of a whole recording.

    Args:
        pieces: In the order heard.
        own: ADUs that we sent ourselves.
    """
    pairing = Pairing(own)
    return (*pairing.feed(pieces), *pairing.flush())
