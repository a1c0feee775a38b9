"""The rest of an answer that was handed over after we had stopped waiting for it.

A busy computer, or an adapter, may deliver the end of an answer so late that the exchange has
ended. The CRC proves that both parts are one answer; then what came late is no stray, and says
nothing about a line that speaks by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from busprobe.bus.assemble import ByteTimes, classify, pieces_of, strip_echo
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange
from busprobe.model.line import LineSettings


def with_late_rest(
    exchange: Exchange, stray: Sequence[Chunk], line: LineSettings
) -> tuple[Exchange, tuple[Chunk, ...]]:
    """Give an exchange what was heard after it, where that makes its answer whole.

    Args:
        exchange: An exchange.
        stray: What was heard after it, before anything else was sent.
        line: Settings of the line.

    Returns:
        Both; changed only where an answer began in the exchange and ended after it.
    """
    before = [c for c in exchange.chunks if c.direction is Direction.RECEIVED]
    if exchange.answer is not None or not before or not stray:
        return exchange, tuple(stray)
    request = exchange.request
    late_ns = max(c.uncertainty_ns for c in (*before, *stray))
    parts = [
        strip_echo(ByteTimes.of(chunks, line), request.raw, request.t_end_ns, late_ns)
        for chunks in (before, (*before, *stray))
    ]
    (begun, _), (times, echo) = parts
    pieces = pieces_of(times, (request.address, request.pdu))
    outcome, answer = classify(request, pieces, ())
    if answer is None or not times.data.index(answer.raw) < len(begun.data):
        return exchange, tuple(stray)
    whole = replace(
        exchange,
        outcome=outcome,
        answer=answer,
        pieces=pieces,
        echo=echo,
        chunks=(*exchange.chunks, *stray),
    )
    return whole, ()
