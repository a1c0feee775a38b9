"""What one exchange looked like, in the few kinds that tell one device from two."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.duplicate.collisions import is_collision
from busprobe.diagnosis.duplicate.tails import ends_as_tail
from busprobe.model.chunk import Direction, Mark
from busprobe.model.exchange import Exchange, Frame, Unframed
from busprobe.model.line import Parity
from busprobe.wire import pdu
from busprobe.wire.crc import crc16, is_intact

# An exception response: address, function code, exception code, CRC.
SHORTEST_ANSWER = 5
# Address, function code, byte count in front of the data; CRC behind them.
HEAD_BYTES = 3
CRC_BYTES = 2

# Function, byte count and the first byte of data: what an answer is known by without its address.
_START_BYTES = 4

# A request to read registers; no answer to one has this length.
_READ_REQUEST_BYTES = 8

# Pulses beside an answer: a switching edge, or a line without bias that sags.
_MOST_PULSES = 3
# A damaged answer whose last bytes are those of a known one: CRC and one byte of data.
_FEWEST_RIGHT_BEHIND = 3
# An adapter that drives on after the request spoils the start of answers that come at once; it does
# so for a few milliseconds (field capture posted in rosenrot00/esphome_modbus_bridge #23: 1.3 ms).
_ADAPTER_HOLDS_NS = 6_000_000
# So many first bytes of the request are its echo; an answer has two or three of them at most.
_FEWEST_OF_ECHO = 5
# Pulses that belong to switching come beside so many answers, and as a share of them.
_FEWEST_STEADY = 3
_STEADY_SHARE = 0.7
# No device answers so soon (Modbus over Serial Line V1.02, 2.5.1.1: after 3.5 characters) [char].
_AT_ONCE = 3.0
# More bytes than two answers have, and this many.
_ENDLESS = 8
# One damaged answer may gain a byte; more are the bytes of another one, which began later.
_TOO_LONG = 2
# Noise that hits start bits loses bytes; answers that overlap last as long as both together.
_TOO_SHORT = 2


class Kind(StrEnum):
    """Kinds of exchanges."""

    CLEAN = "clean"
    """One valid answer and nothing else."""
    FLANKED = "flanked"
    """A valid answer beside lone 00 or FF: bias or switching, not a second device."""
    PULSE = "pulse"
    """A valid answer beside what other single pulses leave."""
    SPECK = "speck"
    """A valid answer with one more byte beside it."""
    TWO = "two"
    """Two or more valid answers to one request."""
    TWICE = "twice"
    """The first bytes of the answer more than once: one was begun, and then another."""
    TAIL = "tail"
    """A valid answer followed by more bytes."""
    HEAD = "head"
    """Bytes, then a valid answer."""
    LONG = "long"
    """No valid answer, and more bytes than one has."""
    GARBLED = "garbled"
    """No valid answer; the length of one, but not its head."""
    SHRUNK = "shrunk"
    """No valid answer, and fewer bytes than one has."""
    BROKEN = "broken"
    """No valid answer; length and head are right, something behind is not."""
    NICKED = "nicked"
    """No valid answer, but the end of one that is known: damaged in one place."""
    START = "start"
    """A valid answer but for its first bytes: another one began a little earlier."""
    FRONT = "front"
    """The same, with more bytes than one answer has."""
    EARLY = "early"
    """The same, so soon after the request that an adapter that drives on may have done it."""
    FORKED = "forked"
    """A known answer but for its check and some of its data: two that differ there, in step."""
    COLLIDED = "collided"
    """What a known answer becomes when it meets itself."""
    AGAIN = "again"
    """The same damaged bytes as before: noise does not repeat itself."""
    TORN = "torn"
    """No valid answer, and framing errors all over: two bit grids."""
    CUT = "cut"
    """A valid answer without its first or its last byte."""
    SILENT = "silent"
    """No byte, or fewer than any answer has."""
    BABBLE = "babble"
    """The line spoke at once, sooner than any device does: says nothing."""
    LATE = "late"
    """What may be the answer to the request before, which had none: says nothing."""
    STRANGE = "strange"
    """Traffic of somebody else came in between: says nothing about this address."""


# Framing errors that two answers leave: so many, and as a share of the bytes. A noise burst up to a
# millisecond leaves one or two (computed with an independent UART model).
_TORN_ERRORS = 5
_TORN_SHARE = 0.15
_SHAPELESS = (Kind.LONG, Kind.GARBLED, Kind.SHRUNK, Kind.BROKEN)


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


def observe(
    exchange: Exchange,
    known: Collection[bytes] = (),
    held_back: bytes = b"",
    certain: bytes = b"",
    parity: Parity = Parity.NONE,
    damaged_before: Collection[bytes] = (),
) -> Observation:
    """Read an exchange.

    Bytes count as part of an answer, or of a second one, when they follow each other: a few bytes
    by themselves, far from any answer, are noise on an idle line and say nothing about devices.

    Args:
        exchange: It.
        known: Whole answers, address and CRC included, that the same request brought before.
        held_back: An answer heard before that lacks its last byte: an adapter or a device may
            deliver that byte in front of this one.
        certain: The one answer that any device gives, where that is known: what sticks out of a
            second one must be its end.
        parity: Of the line.
        damaged_before: Damaged answers that the same request brought before.
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
    strange = any(is_strange(piece, request) for piece in exchange.pieces)
    line_errors = _line_errors([p for p in exchange.pieces if isinstance(p, Unframed)])
    runs = joined_runs_of(exchange)
    characters = HEAD_BYTES + (expected or CRC_BYTES)
    starts = [bytes((request.address, request.pdu[0], characters - HEAD_BYTES - CRC_BYTES))]
    starts += [whole[1:_START_BYTES] for whole in (*known, *(frame.raw for frame in answers))]
    twice = not strange and _is_begun_again(runs, starts, [frame.raw for frame in answers], known)
    if not answers:
        data = _without_held_back(max((r.data for r in runs), key=len, default=b""), held_back)
        kind = Kind.STRANGE if strange else _damage(data, request, characters, known)
        if kind in _SHAPELESS and data[-1:] == b"\x00":
            # The pair was let go: what lies in front of that may have a shape.
            inner = _damage(data.rstrip(b"\x00"), request, characters, known)
            kind = kind if inner in (*_SHAPELESS, Kind.SILENT) else inner
        late = exchange.turnaround_ns is not None and exchange.turnaround_ns > _ADAPTER_HOLDS_NS
        if kind is Kind.START and len(data) > characters:
            kind = Kind.FRONT
        elif kind is Kind.START and not late:
            kind = Kind.EARLY
        if kind in _SHAPELESS:
            if certain and is_collision(data, certain, parity):
                kind = Kind.COLLIDED
            elif (line_errors or 0) >= max(_TORN_ERRORS, _TORN_SHARE * len(data)):
                kind = Kind.TORN
            elif kind is not Kind.LONG and data in damaged_before:
                kind = Kind.AGAIN
        if kind is not Kind.STRANGE and _babbles(exchange, runs, b"", characters):
            kind = Kind.BABBLE
        if twice:
            kind = Kind.TWICE
        return Observation(kind, characters, (), data, b"", line_errors, (), exchange.number)
    first, last = answers[0], answers[-1]
    head, tail = _beside(runs, first, last)
    head = _without_held_back(head, held_back)
    kind = _kind_of_answer(len(answers), head, tail)
    if kind is Kind.TAIL and certain and not ends_as_tail(tail, certain, parity):
        kind = Kind.SPECK
    if _babbles(exchange, runs, first.raw, characters):
        kind = Kind.BABBLE
    if twice and kind is not Kind.TWO:
        kind = Kind.TWICE
    return Observation(
        Kind.STRANGE if strange else kind,
        len(first.raw),
        tuple(frame.pdu[1:] for frame in answers),
        head,
        tail,
        line_errors,
        tuple(frame.t_start_ns - request.t_end_ns for frame in answers),
        exchange.number,
    )


def _is_begun_again(
    runs: Sequence[Run], starts: Sequence[bytes], answers: Sequence[bytes], known: Collection[bytes]
) -> bool:
    """Whether the first bytes of an answer came again, beside all those of whole answers.

    Noise takes bytes away or makes others of them; it does not say what a device says. A device
    begins its answer once.

    Args:
        runs: What was heard.
        starts: How an answer begins: address, function and byte count, or, as the first byte is
            often destroyed, what follows that in a known one.
        answers: Whole answers among it.
        known: Whole answers to the same request.
    """
    heard = b"".join(run.data for run in runs)
    for start in starts:
        own = max((whole.count(start) for whole in known), default=1)
        own = max(1, own, sum(whole.count(start) for whole in answers))
        if heard.count(start) > own:
            return True
    return False


def _babbles(exchange: Exchange, runs: tuple[Run, ...], answer: bytes, characters: int) -> bool:
    """Whether the first bytes came at once and are no answer: an idle line that reads as 0."""
    if not runs:
        return False
    request, first = exchange.request, runs[0]
    character_ns = (request.t_end_ns - request.t_start_ns) / max(1, len(request.raw))
    if first.start_ns - request.t_end_ns > _AT_ONCE * character_ns:
        return False
    before = first.data.index(answer) if answer and answer in first.data else len(first.data)
    endless = sum(len(run.data) for run in runs) > 2 * characters + _ENDLESS
    return before >= SHORTEST_ANSWER and (first.data[0] == 0 or endless)


def is_begun(seen: Observation, address: int) -> bool:
    """Whether an answer from an address began, and ended before all of its bytes were heard."""
    data = seen.head
    short = len(data) < seen.characters
    return not seen.contents and short and data[:1] == bytes((address,))


def is_strange(piece: Frame | Unframed, request: Frame) -> bool:
    """Whether a frame can come from no device at this address: a foreign master is at work.

    A frame from this address to another question of ours is a late answer, and not strange.
    """
    if not isinstance(piece, Frame):
        return False
    return piece.address != request.address or len(piece.raw) == _READ_REQUEST_BYTES


def _kind_of_answer(answers: int, head: bytes, tail: bytes) -> Kind:
    if answers > 1:
        return Kind.TWO
    if not head and not tail:
        return Kind.CLEAN
    if is_glitch(head) and is_glitch(tail):
        switching = is_switching(head) and tail[:1] in (b"", b"\x00")
        return Kind.FLANKED if switching else Kind.PULSE
    if len(tail) > 1 and not is_glitch(tail):
        return Kind.TAIL
    if len(head) > 1 and not is_glitch(head):
        return Kind.HEAD
    return Kind.SPECK


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
    # What had come back before the request had left is a damaged echo, and no device's answer.
    later = (r for r in runs if r.end_ns > request.t_end_ns + character_ns)
    return tuple(run for r in later if (run := _without_echo(r, request.raw)).data)


def joined_runs_of(exchange: Exchange) -> tuple[Run, ...]:
    """The same, but not cut inside a whole answer from the address that was asked.

    The CRC proves that both parts are one: a busy computer, or the device, paused there.
    """
    runs = list(runs_of(exchange))
    for piece in exchange.pieces:
        if isinstance(piece, Frame) and piece.address == exchange.request.address:
            runs = _made_one(runs, piece.raw)
    return tuple(runs)


def _made_one(runs: list[Run], whole: bytes) -> list[Run]:
    """Join the runs over which a whole answer is spread."""
    if any(whole in run.data for run in runs):
        return runs
    for first in range(len(runs)):
        for last in range(first + 2, len(runs) + 1):
            data = b"".join(run.data for run in runs[first:last])
            if whole in data and whole not in data[len(runs[first].data) :]:
                joined = Run(runs[first].start_ns, runs[last - 1].end_ns, data)
                return [*runs[:first], joined, *runs[last:]]
    return runs


def _without_echo(run: Run, adu: bytes) -> Run:
    """Take the start of our own request off the front, as an echo that lost its end leaves it."""
    same = common_end(run.data[::-1], adu[::-1])
    return replace(run, data=run.data[same:]) if same >= _FEWEST_OF_ECHO else run


def _beside(runs: tuple[Run, ...], first: Frame, last: Frame) -> tuple[bytes, bytes]:
    """Bytes before and after the answers that belong to them, or are long enough to be another."""
    head = tail = b""
    for run in runs:
        if first.raw in run.data:
            head += run.data[: run.data.index(first.raw)]
        elif run.end_ns <= first.t_start_ns and len(run.data) >= SHORTEST_ANSWER:
            head = run.data
        if last.raw in run.data:
            tail = run.data[run.data.rindex(last.raw) + len(last.raw) :]
        elif run.start_ns >= last.t_end_ns and len(run.data) >= SHORTEST_ANSWER:
            tail = max(tail, run.data, key=len)
    return head, tail


def is_glitch(data: bytes) -> bool:
    """Whether bytes beside a frame are what switching edges or a missing bias leave.

    A pair without bias that is let go low reads as 00, and then as whatever leakage makes of it.
    """
    if not data:
        return True
    pulses = sum(byte in PULSES for byte in data)
    if len(data) <= _MOST_PULSES and pulses == len(data):
        return True
    return data[0] == 0 and (len(data) <= CRC_BYTES or 2 * pulses >= len(data))


def switching_of(seen: Sequence[Observation]) -> tuple[bytes, bytes] | None:
    """Pulses beside nearly all valid answers, always the same: what one driver does when switched.

    Args:
        seen: Exchanges.

    Returns:
        Bytes before and after an answer, or None where nothing of the kind is heard.
    """
    valid = [o for o in seen if o.contents]
    pulses = Counter((o.head, o.tail) for o in valid if o.kind is Kind.PULSE)
    if not pulses:
        return None
    commonest, number = pulses.most_common(1)[0]
    steady = number >= _FEWEST_STEADY and number >= _STEADY_SHARE * len(valid)
    return commonest if steady else None


def is_switching(data: bytes) -> bool:
    """Whether bytes in front of a frame are what a driver that is switched on leaves."""
    return not data or data[0] == 0 or all(byte in (0x00, 0xFF) for byte in data)


def _without_held_back(data: bytes, held_back: bytes) -> bytes:
    """Take away a first byte that completes the answer before."""
    late = bool(data) and bool(held_back) and is_intact(held_back + data[:1])
    return data[1:] if late else data


def lacks_last_byte(data: bytes) -> bool:
    """Whether one byte more makes an intact frame; chance does so in 1 of 256."""
    return len(data) > HEAD_BYTES and crc16(data[:-1]) & 0xFF == data[-1]


def _damage(data: bytes, request: Frame, characters: int, known: Collection[bytes]) -> Kind:
    """Whether one damaged answer explains the bytes."""
    if len(data) < min(SHORTEST_ANSWER, characters // 2):
        return Kind.SILENT
    head = bytes((request.address, request.pdu[0], characters - HEAD_BYTES - CRC_BYTES))
    if len(data) == characters - 1 and (
        (data[:HEAD_BYTES] == head and lacks_last_byte(data)) or is_intact(head[:1] + data)
    ):
        return Kind.CUT
    if any(
        is_intact(head[:wrong] + data[wrong - characters :])
        for wrong in range(1, HEAD_BYTES + 1)
        if len(data) >= characters - 1
    ):
        return Kind.START
    of_known = [kind for whole in known if (kind := _against(data, whole)) is not None]
    for kind in (Kind.START, Kind.NICKED, Kind.FORKED):
        if kind in of_known:
            return kind
    if len(data) >= characters + _TOO_LONG:
        return Kind.LONG
    if len(data) <= characters - _TOO_SHORT:
        return Kind.SHRUNK
    wrong = sum(a != b for a, b in zip(data[:HEAD_BYTES], head, strict=False))
    return Kind.BROKEN if wrong <= 1 else Kind.GARBLED


def _against(data: bytes, whole: bytes) -> Kind | None:
    """In what way a known answer was damaged, where these bytes are one."""
    if abs(len(data) - len(whole)) > _TOO_LONG:
        return None
    behind = common_end(data, whole)
    before = common_end(data[::-1], whole[::-1])
    if behind >= _FEWEST_RIGHT_BEHIND and not before:
        return Kind.START
    if behind >= _FEWEST_RIGHT_BEHIND and before + behind >= len(whole) // 2:
        return Kind.NICKED
    if len(data) != len(whole) or before < HEAD_BYTES or behind:
        return None
    wrong = [i for i in range(len(whole) - CRC_BYTES) if data[i] != whole[i]]
    # Damage in one place that reaches the end is noise; here the bytes before the check are right.
    apart = wrong and wrong[-1] < len(whole) - CRC_BYTES - _FEWEST_RIGHT_BEHIND
    return Kind.FORKED if apart else None


def common_end(one: bytes, other: bytes) -> int:
    """How many last bytes are the same."""
    count = 0
    for a, b in zip(reversed(one), reversed(other), strict=False):
        if a != b:
            break
        count += 1
    return count


def _line_errors(unframed: Sequence[Unframed]) -> int | None:
    total = 0
    for piece in unframed:
        if piece.marks is None or Mark.DAMAGED in piece.marks:
            return None
        total += sum(m in (Mark.FRAMING, Mark.FRAMING_PARITY, Mark.BREAK) for m in piece.marks)
    return total
