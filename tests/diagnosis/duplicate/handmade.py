"""Exchanges made by hand."""

from __future__ import annotations

from itertools import count

from busprobe.bus.assemble import ByteTimes, classify, pieces_of, strip_echo
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Frame
from busprobe.model.line import LineSettings
from busprobe.wire.crc import with_crc

MS = 1_000_000
LINE = LineSettings(9600)
_numbers = count(1)


def answer(pdu: bytes, address: int = 1) -> bytes:
    """A whole frame."""
    return with_crc(bytes((address,)) + pdu)


def exchange(request: bytes, *heard: tuple[float, bytes], address: int = 1) -> Exchange:
    """An exchange at 9600 8N1.

    Args:
        request: PDU.
        heard: Milliseconds after the end of the request, and bytes that began then.
        address: Address asked.
    """
    adu = with_crc(bytes((address,)) + request)
    end = LINE.duration_ns(len(adu))
    chunks = [
        Chunk(
            Direction.RECEIVED,
            end + round(at * MS) + LINE.duration_ns(len(data)),
            data,
        )
        for at, data in heard
    ]
    times, echo = strip_echo(ByteTimes.of(chunks, LINE), adu, end, 0)
    pieces = pieces_of(times, (address, request))
    frame = Frame(address, request, 0, end, adu)
    outcome, found = classify(frame, pieces, ())
    return Exchange(
        number=next(_numbers),
        request=frame,
        outcome=outcome,
        answer=found,
        pieces=pieces,
        echo=echo,
        turnaround_ns=times.start_ns(0) - end if times.data else None,
        turnaround_uncertainty_ns=0,
        listened_ns=500 * MS,
        chunks=(Chunk(Direction.SENT, 0, adu), *chunks),
    )
