"""From chunks to pieces: byte times, echo, frames, and the outcome of an exchange. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busprobe.model.chunk import Chunk, Mark
from busprobe.model.exchange import Frame, Outcome, Unframed
from busprobe.model.line import LineSettings
from busprobe.wire import pdu, rtu


@dataclass(frozen=True, slots=True)
class ByteTimes:
    """Received bytes with the time of each, as well as the chunks tell it.

    Bytes of one chunk are taken to have followed each other without a pause, the last of them
    having ended at the chunk's time: the earliest ones may in truth have come earlier.
    """

    data: bytes
    chunks: tuple[Chunk, ...]
    ends: tuple[int, ...]
    """Index one past the last byte of each chunk."""
    skipped: int
    character_ns: int

    @classmethod
    def of(cls, chunks: Sequence[Chunk], line: LineSettings) -> ByteTimes:
        """Take the received chunks of an exchange."""
        ends: list[int] = []
        total = 0
        for chunk in chunks:
            total += len(chunk.data)
            ends.append(total)
        return cls(
            b"".join(c.data for c in chunks), tuple(chunks), tuple(ends), 0, line.character_ns
        )

    def without_first(self, count: int) -> ByteTimes:
        """The same without the first `count` bytes."""
        return ByteTimes(
            self.data[count:], self.chunks, self.ends, self.skipped + count, self.character_ns
        )

    def _place(self, index: int) -> tuple[Chunk, int]:
        position = index + self.skipped
        number = bisect_right(self.ends, position)
        return self.chunks[number], self.ends[number] - 1 - position

    def end_ns(self, index: int) -> int:
        """When the byte ended on the wire, at the latest [ns]."""
        chunk, before_end = self._place(index)
        return chunk.t_ns - before_end * self.character_ns

    def start_ns(self, index: int) -> int:
        """When the byte started on the wire, at the latest [ns]."""
        return self.end_ns(index) - self.character_ns

    def uncertainty_ns(self, index: int) -> int:
        """How much earlier it may have been [ns]."""
        return self._place(index)[0].uncertainty_ns

    def marks(self, start: int, end: int) -> tuple[Mark, ...] | None:
        """Line-error marks of a range of bytes, None where any of its chunks has none."""
        found: list[Mark] = []
        for index in range(start, end):
            chunk, before_end = self._place(index)
            if chunk.marks is None:
                return None
            found.append(chunk.marks[len(chunk.data) - 1 - before_end])
        return tuple(found)


def strip_echo(
    times: ByteTimes, adu: bytes, request_end_ns: int, uncertainty_ns: int
) -> tuple[ByteTimes, bool]:
    """Take our own request off the front of what was heard.

    An echo has come back when the request has left, give or take the lateness of the link; a
    loop-back response, which repeats the request too, comes a turn-around and its own length later.
    """
    size = len(adu)
    if not times.data.startswith(adu):
        return times, False
    latest = request_end_ns + uncertainty_ns + times.character_ns
    if times.start_ns(0) >= request_end_ns and times.end_ns(size - 1) > latest:
        return times, False
    return times.without_first(size), True


def pieces_of(times: ByteTimes, request: tuple[int, bytes] | None) -> tuple[Frame | Unframed, ...]:
    """Frames and the bytes between them, in wire order."""
    pieces: list[Frame | Unframed] = []
    for piece in rtu.split(times.data, request=request):
        start, end = piece.offset, piece.offset + len(piece.data)
        if piece.role is None:
            pieces.append(Unframed(piece.data, times.end_ns(end - 1), times.marks(start, end)))
        else:
            pieces.append(
                Frame(
                    piece.data[0],
                    piece.data[1:-2],
                    times.start_ns(start),
                    times.end_ns(end - 1),
                    piece.data,
                )
            )
    return tuple(pieces)


def classify(
    request: Frame,
    pieces: Sequence[Frame | Unframed],
    unanswered: Sequence[tuple[int, bytes]],
    may_answer: Callable[[Frame], bool] = lambda frame: True,
) -> tuple[Outcome, Frame | None]:
    """Say what came of a request.

    Args:
        request: What was asked.
        pieces: What was heard, an echo excluded.
        unanswered: Earlier requests without an answer, address and PDU.
        may_answer: Whether a frame can belong to this request at all (its transaction id does).

    Returns:
        The outcome, and the answer from the address asked, if any.
    """
    if not pieces:
        return Outcome.SILENT, None
    frames = [piece for piece in pieces if isinstance(piece, Frame)]
    answers = [
        frame
        for frame in frames
        if frame.address == request.address
        and may_answer(frame)
        and pdu.matches(request.pdu, frame.pdu)
    ]
    if answers:
        if len(pieces) > 1:
            return Outcome.CROWDED, answers[0]
        answer = answers[0]
        return (Outcome.ANSWERED if answer.exception is None else Outcome.EXCEPTION), answer
    if not frames:
        return Outcome.DAMAGED, None
    if any(
        frame.address == address and pdu.matches(asked, frame.pdu)
        for frame in frames
        for address, asked in unanswered
    ):
        return Outcome.LATE, None
    return Outcome.MISADDRESSED, None
