"""What one exchange looked like, in the few kinds that tell one device from two."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.chunk import Direction, Mark
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.wire import pdu

# An exception response: address, function code, exception code, CRC.
SHORTEST_ANSWER = 5


class Kind(StrEnum):
    """Kinds of exchanges."""

    CLEAN = "clean"
    """One valid answer and nothing else."""
    FLANKED = "flanked"
    """A valid answer with a lone 00 or FF beside it: bias or switching, not a second device."""
    TWO = "two"
    """Two or more valid answers to one request."""
    TAIL = "tail"
    """A valid answer followed by more bytes."""
    HEAD = "head"
    """Bytes, then a valid answer."""
    GARBLED = "garbled"
    """No valid answer; not even the head or the length of one."""
    BROKEN = "broken"
    """No valid answer; length and head are right, something behind is not."""
    SILENT = "silent"
    """No byte, or fewer than any answer has."""


@dataclass(frozen=True, slots=True)
class Observation:
    """One exchange, read for this purpose.

    Attributes:
        kind: What it looked like.
        characters: Length of the answer that was expected, or came [character].
        contents: Data of the valid answers, in the order heard (exceptions included).
        head: Bytes heard before the valid answer, or all bytes when there was none.
        tail: Bytes heard after the last valid answer.
        line_errors: Characters with a framing error or break, None where the link cannot tell.
        turnarounds_ns: End of request to start of each valid answer [ns].
        number: Number of the exchange.
    """

    kind: Kind
    characters: int
    contents: tuple[bytes, ...]
    head: bytes
    tail: bytes
    line_errors: int | None
    turnarounds_ns: tuple[int, ...]
    number: int


def observe(exchange: Exchange) -> Observation:
    """Read an exchange.

    Bytes count as part of an answer, or of a second one, when they follow each other: a few bytes
    by themselves, far from any answer, are noise on an idle line and say nothing about devices.
    """
    request = exchange.request
    expected = pdu.response_length(request.pdu)
    answers = [
        piece
        for piece in exchange.pieces
        if isinstance(piece, Frame)
        and piece.address == request.address
        and pdu.matches(request.pdu, piece.pdu)
    ]
    unframed = [p for p in exchange.pieces if isinstance(p, Unframed)]
    line_errors = _line_errors(unframed)
    runs = runs_of(exchange)
    characters = 3 + (expected or 2)
    if not answers:
        data = max((run.data for run in runs), key=len, default=b"")
        silent = len(data) < SHORTEST_ANSWER
        kind = Kind.SILENT if silent else _damage(data, request, characters)
        return Observation(kind, characters, (), data, b"", line_errors, (), exchange.number)
    first, last = answers[0], answers[-1]
    characters = len(first.raw)
    head, tail = _beside(exchange, runs, first, last)
    if len(answers) > 1:
        kind = Kind.TWO
    elif _is_glitch(head) and _is_glitch(tail):
        kind = Kind.FLANKED if head or tail else Kind.CLEAN
    elif not _is_glitch(tail):
        kind = Kind.TAIL
    else:
        kind = Kind.HEAD
    return Observation(
        kind,
        characters,
        tuple(frame.pdu[1:] for frame in answers),
        head,
        tail,
        line_errors,
        tuple(frame.t_start_ns - request.t_end_ns for frame in answers),
        exchange.number,
    )


@dataclass(frozen=True, slots=True)
class Run:
    """Bytes that followed each other without a pause."""

    start_ns: int
    end_ns: int
    data: bytes


def runs_of(exchange: Exchange) -> tuple[Run, ...]:
    """What was heard after the request, cut at silences of t3.5; an echo is left out."""
    request = exchange.request
    character_ns = (request.t_end_ns - request.t_start_ns) / max(1, len(request.raw))
    skip = len(request.raw) if exchange.echo else 0
    runs: list[Run] = []
    for chunk in exchange.chunks:
        if chunk.direction is not Direction.RECEIVED:
            continue
        data = chunk.data[skip:]
        skip = max(0, skip - len(chunk.data))
        if not data:
            continue
        start = chunk.t_ns - round(len(data) * character_ns)
        if runs and start - runs[-1].end_ns <= 3.5 * character_ns + chunk.uncertainty_ns:
            runs[-1] = Run(runs[-1].start_ns, chunk.t_ns, runs[-1].data + data)
        else:
            runs.append(Run(start, chunk.t_ns, data))
    return tuple(runs)


def _beside(
    exchange: Exchange, runs: tuple[Run, ...], first: Frame, last: Frame
) -> tuple[bytes, bytes]:
    """Bytes before and after the answers that belong to them, or are long enough to be another."""
    head = tail = b""
    for run in runs:
        if first.raw in run.data:
            head = run.data[: run.data.index(first.raw)]
        elif run.end_ns <= first.t_start_ns and len(run.data) >= SHORTEST_ANSWER:
            head = run.data
        if last.raw in run.data:
            tail = run.data[run.data.rindex(last.raw) + len(last.raw) :]
        elif run.start_ns >= last.t_end_ns and len(run.data) >= SHORTEST_ANSWER:
            tail = run.data
    return head, tail


def _is_glitch(data: bytes) -> bool:
    """Whether bytes beside a frame are what a switching edge or a missing bias leaves.

    A run of the same 00 or FF, up to three: an undriven line read as low, or single edges.
    """
    return len(data) <= 3 and (not data.strip(b"\x00") or not data.strip(b"\xff"))


def _damage(data: bytes, request: Frame, characters: int) -> Kind:
    """Whether one damaged answer explains the bytes: length, and most of the head."""
    head = bytes((request.address, request.pdu[0], characters - 5))
    wrong = sum(a != b for a, b in zip(data[:3], head, strict=False))
    same_length = abs(len(data) - characters) <= 1
    return Kind.BROKEN if same_length and wrong <= 1 else Kind.GARBLED


def _line_errors(unframed: list[Unframed]) -> int | None:
    total = 0
    for piece in unframed:
        if piece.marks is None:
            return None
        total += sum(m in (Mark.FRAMING, Mark.FRAMING_PARITY, Mark.BREAK) for m in piece.marks)
    return total
