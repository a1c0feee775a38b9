"""Bytes beside whole answers: is one voice left at an address, before anything is written to it?

Of two devices that answer in step, a receiver may follow the nearer one every time; of the other it
then hears the end only. So the answers are whole and always the same, and only what sticks out
behind them betrays the second one.
"""

from __future__ import annotations

from collections.abc import Iterable

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.model.exchange import Exchange, Unframed

# Chance leaves fewer, and a device alone hardly any (assumptions).
_FEWEST = 3
_SHARE = 0.2


def sticks_out(exchange: Exchange) -> bool:
    """Whether a whole answer has bytes beside it that no low pulse leaves."""
    return exchange.answer is not None and any(
        isinstance(piece, Unframed) and not set(piece.data) <= PULSES for piece in exchange.pieces
    )


def another_voice(exchanges: Iterable[Exchange], address: int) -> bool:
    """Whether so many answers of an address have such bytes beside them that two may speak there.

    Requests at a rate that is off are left out: what an adapter spoils when it changes rates is no
    evidence.
    """
    answers = [
        e
        for e in exchanges
        if e.request.address == address and e.sent_at is None and e.answer is not None
    ]
    count = sum(map(sticks_out, answers))
    return count >= _FEWEST and count >= _SHARE * len(answers)
