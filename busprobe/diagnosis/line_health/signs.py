"""What one exchange shows: the signs by which causes are told apart.

A damaged answer is compared with the answer that must have been sent: address, function and byte
count are known from the request, and the CRC proves what is left of it. So an answer that lacks its
last byte, or whose start was destroyed, is recognised with certainty, and only what remains counts
as damage of any kind.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from busprobe.diagnosis.cut_answers import (
    HEAD,
    PULSES,
    SHORTEST,
    last_cut,
    last_missing,
    start_lost,
)
from busprobe.diagnosis.duplicate.observe import runs_of
from busprobe.model.chunk import Mark
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.wire import pdu, rtu
from busprobe.wire.crc import CRC_LENGTH, crc16
from busprobe.wire.functions import Role

GATEWAY_EXCEPTIONS = (0x0A, 0x0B)
_MOST_READ = {1: 2000, 2: 2000, 3: 125, 4: 125}
# Two bytes at the start of an echo may be destroyed; so many are proof enough.
_ECHO_FROM = 2
_MOST_HAVE_ANSWERED_NS = 200_000_000


class Sign(StrEnum):
    """What came of a request."""

    CLEAN = "clean"
    """A whole answer (an exception is one)."""
    SILENT = "silent"
    """No byte that belongs to an answer."""
    LAST_LOST = "last-lost"
    """An answer without its last byte, or whose last byte was cut short."""
    ROLLED = "rolled"
    """The last byte of the answer before came first."""
    START_LOST = "start-lost"
    """The first bytes are destroyed or missing, the rest agrees with the CRC."""
    DAMAGED = "damaged"
    """Bytes that are nothing of the above."""
    LATE = "late"
    """The answer to an earlier request."""
    OTHERS = "others"
    """Whole frames of somebody else, and no answer from the address asked."""
    GATEWAY = "gateway"
    """Exception 0A or 0B."""


@dataclass(frozen=True, slots=True)
class Condition:
    """How a request was asked.

    Attributes:
        registers: Registers asked for.
        gap_ns: Silence before it [ns], as it was on the line.
        after_other: Whether another address was asked just before.
    """

    registers: int
    gap_ns: int
    after_other: bool


@dataclass(frozen=True, slots=True)
class Sample:
    """One exchange, read for this purpose.

    Attributes:
        number: Of the exchange.
        address: Whom it asked.
        condition: How.
        sign: What came of it.
        characters: Length of the answer that was expected, or came [character].
        before: Bytes just before the answer.
        after: Bytes just after it.
        idle: Runs of stray bytes while nobody should have sent.
        idle_ns: How long the line was undriven and listened to [ns].
        heard: Bytes of the answer, whole or damaged.
        senders: Other addresses whose answers were heard.
        masters: Whom foreign requests asked that were heard.
        seconds: Further whole answers from the address asked.
        echo: Whether our own request came back.
        turnaround_ns: End of request to the whole answer, or else to the first byte [ns]; None when
            silent.
        marked: Characters of a whole answer, or of one without its last byte, with an error mark;
            None where the link cannot tell.
        exception: Exception code of the answer.
        pause_ns: Longest silence of more than t3.5 inside a whole answer, as it was handed to us
            [ns]; 0 where there was none. Its own length may be less: bytes wait in the computer.
        pause_at: Bytes of the answer before that pause.
    """

    number: int
    address: int
    condition: Condition
    sign: Sign
    characters: int
    before: bytes = b""
    after: bytes = b""
    idle: tuple[bytes, ...] = ()
    idle_ns: int = 0
    heard: bytes = b""
    senders: tuple[int, ...] = ()
    masters: tuple[int, ...] = ()
    seconds: int = 0
    echo: bool = False
    turnaround_ns: int | None = None
    marked: int | None = None
    exception: int | None = None
    pause_ns: int = 0
    pause_at: int = 0


def sample(
    exchange: Exchange,
    condition: Condition,
    stray: Sequence[Frame | Unframed] = (),
    *,
    held: int | None = None,
    errors: int | None = None,
) -> tuple[Sample, int | None]:
    """Read an exchange.

    Args:
        exchange: It.
        condition: How it was asked.
        stray: What was heard after it, before the next request.
        held: The last byte that the answer before lacked, if it lacked one.
        errors: Framing and parity errors the driver counted meanwhile, None where unknown.

    Returns:
        The sample, and the last byte that this answer lacks, if that is known.
    """
    request = exchange.request
    expected = pdu.response_length(request.pdu)
    characters = 1 + CRC_LENGTH + (expected or 2)
    answer = exchange.answer
    frames = [p for p in (*exchange.pieces, *stray) if isinstance(p, Frame) and p is not answer]
    # Stray bytes may part our own request, coming back, from its place: it is no foreign one.
    echo = exchange.echo or any(f.raw == request.raw for f in frames)
    frames = [f for f in frames if f.raw != request.raw]
    masters = tuple(f.address for f in frames if is_request(f))
    senders = tuple(f.address for f in frames if f.address != request.address and not is_request(f))
    senders += tuple(_cut_senders((*exchange.pieces, *stray), request))
    seconds = sum(f.address == request.address and not is_request(f) for f in frames)
    idle = tuple(p.data for p in stray if isinstance(p, Unframed))
    listened = max(0, exchange.listened_ns - (len(exchange.heard) * _character_ns(exchange)))
    idle_ns = condition.gap_ns + listened
    turnaround = exchange.turnaround_ns if exchange.heard else None
    common = {
        "idle_ns": idle_ns,
        "senders": senders,
        "masters": masters,
        "seconds": seconds,
        "echo": echo,
        "turnaround_ns": turnaround,
    }

    def made(sign: Sign, **more: object) -> Sample:
        fields = {"characters": characters, "idle": idle, **common, **more}
        return Sample(exchange.number, request.address, condition, sign, **fields)  # type: ignore[arg-type]

    if answer is not None:
        before, after, apart, (pause_ns, pause_at) = _beside(exchange, answer)
        rolled = held is not None and before[-1:] == bytes((held,))
        gateway = answer.exception in GATEWAY_EXCEPTIONS
        sign = Sign.ROLLED if rolled else Sign.GATEWAY if gateway else Sign.CLEAN
        return made(
            sign,
            characters=len(answer.raw),
            heard=answer.raw,
            before=before[:-1] if rolled else before,
            after=after,
            idle=idle + apart,
            turnaround_ns=answer.t_start_ns - request.t_end_ns,
            marked=_marked(exchange, answer.raw) if errors is None else errors,
            exception=answer.exception,
            pause_ns=pause_ns,
            pause_at=pause_at,
        ), None
    parted = [_behind_echo(run.data, request.raw) for run in runs_of(exchange)]
    if any(before for before, _ in parted):
        common["echo"] = True
        idle += tuple(before for before, _ in parted if before)
    runs = [behind for _, behind in parted]
    data, pause_at, others = _parted(runs, request)
    edge, whole, stray_in_pause = _joined(data, pause_at, request, characters)
    if whole:
        return made(
            Sign.CLEAN,
            heard=whole,
            before=edge,
            idle=idle + tuple(r for r in (*others, stray_in_pause) if r),
            pause_ns=_pause_ns(exchange),
            pause_at=pause_at,
        ), None
    if exchange.outcome is Outcome.LATE:
        return made(Sign.LATE), None
    if frames and not any(isinstance(p, Unframed) for p in exchange.pieces):
        return made(Sign.OTHERS), None
    found, missing, edge = _judge(
        data, request, characters, held, late=(turnaround or 0) > _MOST_HAVE_ANSWERED_NS
    )
    if found is Sign.SILENT:
        return made(Sign.SILENT, idle=idle + tuple(r for r in runs if r), turnaround_ns=None), None
    marked = exception = None
    if found is Sign.LAST_LOST:
        # The last character was cut: its mark says nothing about the settings.
        marked = _marked(exchange, data[:-1]) if errors is None else errors
        body = data[len(edge) :]
        exception = body[2] if body[1] & 0x80 else None
    return made(found, heard=data, before=edge, marked=marked, exception=exception), missing


def _parted(runs: Sequence[bytes], request: Frame) -> tuple[bytes, int, tuple[bytes, ...]]:
    """The longest run of bytes, with the run that begins the answer when a pause parts the two.

    A stray in such a pause keeps them from being assembled; no start is lost all the same.

    Returns:
        The bytes, how many of them came before the pause (0 for none), and all other runs.
    """
    data = max(runs, key=len, default=b"")
    at = runs.index(data) if data else 0
    head = bytes((request.address, request.pdu[0]))
    for first in range(at - 1, -1, -1):
        # An edge, or the last byte of the answer before, may stand before it.
        if head in runs[first][: len(head) + 2]:
            others = (*runs[:first], *runs[first + 1 : at], *runs[at + 1 :])
            return runs[first] + data, len(runs[first]), others
    return data, 0, (*runs[:at], *runs[at + 1 :])


def _judge(
    data: bytes, request: Frame, characters: int, held: int | None, late: bool
) -> tuple[Sign, int | None, bytes]:
    """What a run of bytes without a whole answer is, the byte it lacks, and the edge before it.

    Args:
        data: The run.
        request: What it should answer.
        characters: How long an answer would be.
        held: The last byte that the answer before lacked.
        late: Whether it began when most devices would have answered: a few bytes are a stray then.
    """
    head = bytes((request.address, request.pdu[0], characters - SHORTEST))
    rolled = held is not None and data[:1] == bytes((held,)) and data[1:2] == head[:1]
    # A switching edge before it does not make an answer another one; any other byte before an
    # answer that lacks its last one is the last one of an earlier answer, whether known or not.
    shifted = len(data) > HEAD and data[1 : HEAD + 1] == head
    edge = shifted and data[0] in PULSES
    body = data[1:] if rolled or shifted else data
    rolled = rolled or (shifted and not edge)
    if len(data) > HEAD + 1 and data[0] in PULSES and data[2 : HEAD + 2] == head:
        # Both: the edge, the last byte of the answer before, and this one.
        edge = shifted = rolled = True
        body = data[2:]
    missing = last_missing(body, head, characters)
    before = data[:1] if shifted and edge else b""
    if missing is not None:
        return Sign.ROLLED if rolled else Sign.LAST_LOST, missing, before
    if last_cut(body, head, characters):
        return Sign.LAST_LOST, None, before
    if start_lost(data, head, characters):
        return Sign.START_LOST, None, b""
    few = len(data) < SHORTEST and data[:2] != head[:2]
    if few and (late or set(data) <= PULSES or len(data) < 2):
        return Sign.SILENT, None, b""
    return Sign.DAMAGED, None, b""


def _joined(
    data: bytes, pause_at: int, request: Frame, characters: int
) -> tuple[bytes, bytes, bytes]:
    """The whole answer that two parts make, low pulses just before the first and the second."""
    first = int(data[:1] != request.raw[:1])
    for skip in (0, 1) if pause_at else ():
        edge, stray = data[:first], data[pause_at : pause_at + skip]
        whole = data[first:pause_at] + data[pause_at + skip :]
        if len(whole) == characters and {*edge, *stray} <= PULSES and not crc16(whole):
            return edge, whole, stray
    return b"", b"", b""


def _pause_ns(exchange: Exchange) -> int:
    """From the end of the first run of bytes to the start of the longest after it [ns]."""
    runs = runs_of(exchange)
    longest = max(runs, key=lambda run: len(run.data))
    begun = max((r for r in runs if r.end_ns < longest.start_ns), key=lambda r: len(r.data))
    return max(1, longest.start_ns - begun.end_ns)


def _behind_echo(data: bytes, request: bytes) -> tuple[bytes, bytes]:
    """Part stray bytes before our own request, coming back, from what follows it.

    Its own first bytes may be destroyed. Nothing is parted where no echo is found.
    """
    at = data.find(request[_ECHO_FROM:])
    if at < 0:
        return b"", data
    begin = at - _ECHO_FROM if data[:at].endswith(request[:_ECHO_FROM]) else at
    return data[:begin], data[at + len(request) - _ECHO_FROM :]


def _cut_senders(pieces: Sequence[Frame | Unframed], request: Frame) -> Iterator[int]:
    """Addresses of other devices whose answers were heard all but for their last byte."""
    function = request.pdu[0]
    for piece in pieces:
        data = piece.data if isinstance(piece, Unframed) else b""
        if len(data) < HEAD + 2 or data[0] == request.address or data[1] != function:
            continue
        whole = SHORTEST + data[2]
        if last_missing(data, data[:HEAD], whole) is not None or last_cut(data, data[:HEAD], whole):
            yield data[0]


def _beside(
    exchange: Exchange, answer: Frame
) -> tuple[bytes, bytes, tuple[bytes, ...], tuple[int, int]]:
    """What is beside an answer, and the longest pause inside it.

    The system may hand an answer over in pieces: a run that is part of a frame is no stray.

    Returns:
        Bytes just before and just after it, runs apart from it, and the pause [ns] with the bytes
        of the answer before it.
    """
    runs = runs_of(exchange)
    heard = b"".join(run.data for run in runs)
    framed = list[tuple[int, int]]()
    cursor = begin = end = 0
    for piece in exchange.pieces:
        if isinstance(piece, Frame) and (at := heard.find(piece.raw, cursor)) >= 0:
            cursor = at + len(piece.raw)
            framed.append((at, cursor))
            if piece is answer:
                begin, end = at, cursor
    before = after = b""
    apart: list[bytes] = []
    pause, place = (0, 0), 0
    earlier: int | None = None
    for run in runs:
        first, last = place, place + len(run.data)
        place = last
        if first < end and begin < last:
            before = heard[first:begin] or before
            after = heard[end:last] or after
            if first > begin and earlier is not None:
                pause = max(pause, (run.start_ns - earlier, first - begin))
        elif not any(first < stop and start < last for start, stop in framed):
            apart.append(run.data)
        earlier = run.end_ns
    return before, after, tuple(apart), pause


def is_request(frame: Frame) -> bool:
    """Whether a frame is a request, for an amount that the protocol allows where it reads."""
    pieces = rtu.split(frame.raw)
    if len(pieces) != 1 or pieces[0].role is not Role.REQUEST:
        return False
    # Now and then a damaged answer holds bytes that pass for a frame; who reads asks for an amount
    # that the protocol allows (MODBUS Application Protocol V1.1b3, sections 6.1 to 6.4).
    most = _MOST_READ.get(frame.pdu[0])
    return most is None or 1 <= int.from_bytes(frame.pdu[3:5], "big") <= most


def _character_ns(exchange: Exchange) -> int:
    request = exchange.request
    return (request.t_end_ns - request.t_start_ns) // max(1, len(request.raw))


def _marked(exchange: Exchange, answer: bytes) -> int | None:
    """Error marks on the characters of an answer."""
    data, marks = b"", list[Mark]()
    for chunk in exchange.chunks:
        if chunk.direction != "received":
            continue
        if chunk.marks is None:
            return None
        data += chunk.data
        marks += chunk.marks
    at = data.find(answer)
    return sum(m is not Mark.GOOD for m in marks[at : at + len(answer)]) if at >= 0 else None
