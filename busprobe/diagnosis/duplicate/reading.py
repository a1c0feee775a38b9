"""Reads the exchanges of one address in order: what came before tells what one is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.diagnosis.duplicate.observe import (
    CRC_BYTES,
    Kind,
    Observation,
    common_end,
    is_strange,
    observe,
    runs_of,
)
from busprobe.diagnosis.duplicate.questions import Question
from busprobe.diagnosis.duplicate.serials import frame_of
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.model.line import Parity
from busprobe.wire import pdu

# So many last bytes of an answer prove that it was sent once more: the check and what it covers.
_FEWEST_OF_SECOND = 5
# An answer that comes later than so many requests is not waited for.
_RECENT = 4


class Reader:
    """Turns exchanges into observations.

    Args:
        address: Address asked.
        function: Function code asked.
        parity: Of the line.

    Attributes:
        foreign: Whether a foreign master was heard.
    """

    def __init__(self, address: int, function: int, parity: Parity = Parity.NONE) -> None:
        self.foreign = False
        self._address = address
        self._function = function
        self._parity = parity
        self._known: dict[bytes, set[bytes]] = {}
        self._damaged: dict[bytes, set[bytes]] = {}
        self._held_back = b""
        self._before: tuple[bytes, Kind | None] = (b"", None)
        self._recent: list[bytes] = []

    def read(
        self,
        question: Question | None,
        exchange: Exchange,
        stray: Sequence[Frame | Unframed] = (),
        *,
        may_be_silent: bool = False,
    ) -> Observation:
        """Read the next exchange.

        Args:
            question: What it asked, None for a request outside the rotation.
            exchange: It.
            stray: What was heard after it, before anything else was sent.
            may_be_silent: Whether silence means that nobody understood, and no answer is owed.
        """
        request = exchange.request.pdu
        pieces = (*exchange.pieces, *stray)
        whole = self._answers(pieces, request)
        known: set[bytes] = set()
        certain = b""
        if question is not None:
            if question.fixed:
                known |= self._known.get(request, set())
            if question.data:
                certain = frame_of(self._address, self._function, question.data)
                known.add(certain)
        seen = observe(
            exchange,
            known,
            self._held_back,
            certain,
            self._parity,
            self._damaged.get(request, ()),
        )
        if seen.contents and len(whole) > len(seen.contents):
            # Answers that came after the exchange was over count.
            contents = tuple(frame.pdu[1:] for frame in whole)
            seen = replace(seen, kind=Kind.TWO, contents=contents)
        if seen.kind is Kind.TAIL and self._ends_recent(seen.tail, request):
            seen = replace(seen, kind=Kind.TWO)
        seen = self._with_before(seen, exchange, pieces)
        self._known.setdefault(request, set()).update(frame.raw for frame in whole)
        if not seen.contents and seen.kind is not Kind.SILENT:
            self._damaged.setdefault(request, set()).add(seen.head)
        self._held_back = seen.head if seen.kind is Kind.CUT else b""
        owed = seen.kind is not Kind.SILENT or not may_be_silent
        self._before = (request, (Kind.CLEAN if whole else seen.kind) if owed else None)
        self._recent = [*self._recent[1 - _RECENT :], request]
        self.foreign = self.foreign or any(is_strange(p, exchange.request) for p in pieces)
        return seen

    def _answers(self, pieces: Sequence[Frame | Unframed], request: bytes) -> list[Frame]:
        return [
            p
            for p in pieces
            if isinstance(p, Frame) and p.address == self._address and pdu.matches(request, p.pdu)
        ]

    def _with_before(
        self, seen: Observation, exchange: Exchange, pieces: Sequence[Frame | Unframed]
    ) -> Observation:
        """Look for an answer to the request before: a second one, or one that came late."""
        request, before = self._before
        if before not in (Kind.CLEAN, Kind.SILENT) or seen.kind in (Kind.BABBLE, Kind.STRANGE):
            return seen
        another = request != exchange.request.pdu
        others = [
            p
            for p in pieces
            if isinstance(p, Frame) and not pdu.matches(exchange.request.pdu, p.pdu)
        ]
        late = bool(another and self._answers(others, request))
        if before is Kind.SILENT:
            # It had none, so that this is no second one.
            damaged = not seen.contents and seen.kind is not Kind.SILENT
            return replace(seen, kind=Kind.LATE) if late or damaged else seen
        if another and not seen.contents:
            late = late or any(
                common_end(run.data, whole) >= _FEWEST_OF_SECOND
                for run in runs_of(exchange)
                for whole in self._known.get(request, ())
            )
        return replace(seen, kind=Kind.TWO) if late else seen

    def _ends_recent(self, tail: bytes, request: bytes) -> bool:
        """Whether bytes end with the check of a known answer to a request asked a little before."""
        ends = {
            whole[-CRC_BYTES:]
            for recent in self._recent
            if recent != request
            for whole in self._known.get(recent, ())
        }
        return tail[-CRC_BYTES:] in ends
