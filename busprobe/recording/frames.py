"""From the chunks of a recording back to frames, in the order in which they crossed the link."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import accumulate

from busprobe.model.chunk import Chunk, Direction
from busprobe.wire import mbap, rtu
from busprobe.wire.functions import Role


@dataclass(frozen=True, slots=True)
class RecordedFrame:
    """A frame, or bytes that are none.

    Attributes:
        t_ns: Sent: when its first bit left. Received: when its last byte was in our hands [ns].
        uncertainty_ns: How much earlier a received one may have ended on the wire [ns].
        direction: Sent by us or received.
        data: The bytes, with address and CRC, or with the MBAP header.
        role: What it is, or None for bytes of no frame.
        address: Address or unit id, or None.
        pdu: Function code and data; empty for bytes of no frame.
    """

    t_ns: int
    uncertainty_ns: int
    direction: Direction
    data: bytes
    role: Role | None
    address: int | None
    pdu: bytes


def _cut_rtu(
    data: bytes, request: tuple[int, bytes] | None
) -> Iterator[tuple[bytes, Role | None, int | None, bytes]]:
    for piece in rtu.split(data, request=request):
        if piece.framed:
            yield piece.data, piece.role, piece.address, piece.pdu
        else:
            yield piece.data, None, None, b""


def _cut_mbap(data: bytes) -> Iterator[tuple[bytes, Role | None, int | None, bytes]]:
    decoder = mbap.Decoder()
    for piece in (*decoder.feed(data), *decoder.flush()):
        if isinstance(piece, mbap.Adu):
            yield piece.raw, Role.RESPONSE, piece.unit, piece.pdu
        else:
            yield piece.data, None, None, b""


def _sent(chunk: Chunk, *, is_rtu: bool) -> RecordedFrame:
    cut = list(_cut_rtu(chunk.data, None) if is_rtu else _cut_mbap(chunk.data))
    whole = len(cut) == 1 and cut[0][1] is not None
    address, pdu = (cut[0][2], cut[0][3]) if whole else (None, b"")
    return RecordedFrame(
        chunk.t_ns,
        chunk.uncertainty_ns,
        Direction.SENT,
        chunk.data,
        Role.REQUEST if whole else None,
        address,
        pdu,
    )


# Long listening must not pile up in memory: beyond so many bytes all but the end is decoded. The
# end that is kept is longer than any frame, so that no frame is cut.
_LONGEST_RUN = 1 << 15
_KEPT_END = 1 << 10


def _without_front(chunks: list[Chunk], count: int) -> list[Chunk]:
    """The chunks without their first `count` bytes."""
    kept: list[Chunk] = []
    for chunk in chunks:
        if count >= len(chunk.data):
            count -= len(chunk.data)
            continue
        marks = None if chunk.marks is None else chunk.marks[count:]
        kept.append(replace(chunk, data=chunk.data[count:], marks=marks))
        count = 0
    return kept


class _Run:
    """Chunks received in a row, waiting to be cut."""

    def __init__(self, *, is_rtu: bool) -> None:
        self._is_rtu = is_rtu
        self._chunks: list[Chunk] = []
        self._length = 0

    @property
    def is_long(self) -> bool:
        return self._length > _LONGEST_RUN

    def add(self, chunk: Chunk) -> None:
        self._chunks.append(chunk)
        self._length += len(chunk.data)

    def cut(self, request: tuple[int, bytes] | None, *, final: bool) -> list[RecordedFrame]:
        """Cut what is there; unless it is final, the end is kept for later.

        Each piece is stamped with the chunk that brought its last byte.
        """
        data = b"".join(chunk.data for chunk in self._chunks)
        pieces = list(_cut_rtu(data, request) if self._is_rtu else _cut_mbap(data))
        ends = list(accumulate(len(chunk.data) for chunk in self._chunks))
        frames: list[RecordedFrame] = []
        at = 0
        for raw, role, address, pdu in pieces:
            end = at + len(raw)
            # A piece that is all there is, is noise and not the end of a frame.
            if not final and end > len(data) - _KEPT_END and frames:
                break
            chunk = self._chunks[bisect_left(ends, end)]
            frames.append(
                RecordedFrame(
                    chunk.t_ns, chunk.uncertainty_ns, Direction.RECEIVED, raw, role, address, pdu
                )
            )
            at = end
        self._chunks = _without_front(self._chunks, at)
        self._length -= at
        return frames


def frames_of(chunks: Iterable[Chunk], framing: str) -> Iterator[RecordedFrame]:
    """Cut chunks into frames and the rest, losing no byte.

    Args:
        chunks: In the order in which they were noticed.
        framing: "rtu" or "mbap".
    """
    is_rtu = framing == "rtu"
    run = _Run(is_rtu=is_rtu)
    request: tuple[int, bytes] | None = None
    for chunk in chunks:
        if chunk.direction is Direction.SENT:
            yield from run.cut(request, final=True)
            frame = _sent(chunk, is_rtu=is_rtu)
            request = (frame.address, frame.pdu) if frame.address is not None else None
            yield frame
        elif chunk.data:
            run.add(chunk)
            if run.is_long:
                yield from run.cut(request, final=False)
    yield from run.cut(request, final=True)
