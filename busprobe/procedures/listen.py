"""Listening: at which settings do others talk, and about what? Never sends a byte.

It begins at the settings in force and stays until something is heard. What was heard there is
weighed (`diagnosis.settings_guess`): a wrong rate leaves its own small alphabet, so that the next
settings are known rather than tried. Once whole frames are heard, the rest of the time is spent
there. Where the adapter reports no errors, one more stay tells characters of 10 bits from 11.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from busprobe.bus.assemble import ByteTimes
from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis.listening import (
    Conversation,
    Heard,
    LineState,
    TimedPiece,
    conversation_of,
    judge,
)
from busprobe.diagnosis.settings_guess import Stay
from busprobe.link.line_errors import LineErrors
from busprobe.model.chunk import Chunk, Mark
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import rtu

_SLICE_NS = 250 * MS
# A stay at settings that give no frames ends when so much was heard and the line paused.
_ENOUGH_BYTES = 24
_ENOUGH_BLIND = 60
# Or so long after its first byte: a receiver that is much too slow hears a byte or two per poll.
_SHORT_NS = 1_200 * MS
_LONG_NS = 2_500 * MS
# The right settings, once found, get at least this share of the time asked for.
_LEAST_SHARE = 0.5
_PAUSE_CHARACTERS = 20
# Silence that ends a frame [character] (Modbus over Serial Line V1.02, section 2.5.1.1).
_FRAME_GAP = 3.5
# The rest of the time, and more, is spent at the settings of these.
_GO_ON_AT = (LineState.CONVERSATION, LineState.OTHER_SETTINGS, LineState.UNDECIDED)


@dataclass(frozen=True, slots=True)
class Listening:
    """What listening found.

    Attributes:
        heard: What is on the line.
        conversation: Who talks with whom, at the settings found.
        settings: Settings of the conversation, None where none was found.
        seconds: How long was listened [s].
        junk_bytes: Bytes of no frame, at the settings found, else at all.
        errors: Framing errors, parity errors, overruns and breaks that the driver counted, None
            where it does not.
        marks: Whether the link told of errors at each character, as far as was heard.
    """

    heard: Heard
    conversation: Conversation
    settings: LineSettings | None
    seconds: float
    junk_bytes: int
    errors: LineErrors | None
    marks: bool


@dataclass
class _Stay:
    """A stay under way."""

    settings: LineSettings
    chunks: list[Chunk] = field(default_factory=list)
    errors: int | None = None

    @property
    def size(self) -> int:
        return sum(len(chunk.data) for chunk in self.chunks)

    def pieces(self) -> tuple[TimedPiece, ...]:
        times = ByteTimes.of(self.chunks, self.settings)
        return tuple(
            TimedPiece(
                part, times.start_ns(part.offset), times.end_ns(part.offset + len(part.data) - 1)
            )
            for piece in rtu.split(times.data)
            for part in _parted(piece, times)
        )

    def stay(self) -> Stay:
        data = b"".join(chunk.data for chunk in self.chunks)
        framed = [piece for piece in rtu.split(data) if piece.framed]
        marks: list[Mark] | None = []
        for chunk in self.chunks:
            if chunk.marks is None:
                marks = None
                break
            assert marks is not None
            marks += chunk.marks
        runs, busy = _runs(self.chunks, self.settings)
        return Stay(
            self.settings,
            data,
            tuple(marks) if marks is not None else None,
            runs,
            len(framed),
            sum(len(piece.data) for piece in framed),
            busy,
            self.errors,
        )


def _parted(piece: rtu.Piece, times: ByteTimes) -> Iterator[rtu.Piece]:
    """Bytes of no frame, parted where the line paused; a frame as it is."""
    first, end = piece.offset, piece.offset + len(piece.data)
    if not piece.framed:
        for index in range(first + 1, end):
            pause_ns = times.start_ns(index) - times.end_ns(index - 1)
            if pause_ns > _FRAME_GAP * times.character_ns + times.uncertainty_ns(index):
                part = piece.data[first - piece.offset : index - piece.offset]
                yield rtu.Piece(first, part, None)
                first = index
    yield rtu.Piece(first, piece.data[first - piece.offset :], piece.role)


def _runs(chunks: Iterable[Chunk], settings: LineSettings) -> tuple[tuple[int, ...], float]:
    """Lengths of the runs between pauses, and the share of the time that was busy."""
    character_ns = settings.character_ns
    runs: list[int] = []
    busy_ns = 0
    first_ns = last_ns = 0
    for chunk in chunks:
        length_ns = len(chunk.data) * character_ns
        start_ns = chunk.t_ns - length_ns
        busy_ns += length_ns
        if runs and start_ns - last_ns <= _PAUSE_CHARACTERS * character_ns + chunk.uncertainty_ns:
            runs[-1] += len(chunk.data)
        else:
            runs.append(len(chunk.data))
        if not first_ns:
            first_ns = start_ns
        last_ns = chunk.t_ns
    span_ns = last_ns - first_ns
    return tuple(runs), min(1.0, busy_ns / span_ns) if span_ns > 0 else 0.0


@dataclass
class _Listener:
    bus: Bus
    observe: Observer
    on_heard: Callable[[Heard, Conversation], None]
    should_stop: Callable[[], bool]
    stays: dict[LineSettings, _Stay] = field(default_factory=dict)
    start_ns: int = 0

    def here(self) -> _Stay:
        """The stay at the settings in force."""
        settings = self.bus.line
        return self.stays.setdefault(settings, _Stay(settings))

    def judged(self) -> Heard:
        """What is known so far."""
        return judge([stay.stay() for stay in self.stays.values()])

    async def slice(self, until_ns: int, text: str) -> int:
        """Listen for a moment; returns the bytes heard in it."""
        bus = self.bus
        left_s = max(0.0, (until_ns - bus.now()) / 1e9)
        self.observe(Progress(0, 0, left_s, text))
        before = _counters(bus)
        over = await bus.listen(max(1, min(_SLICE_NS, until_ns - bus.now())))
        stay = self.here()
        stay.chunks += over.chunks
        after = _counters(bus)
        if before is not None and after is not None:
            counted = after - before
            stay.errors = (stay.errors or 0) + counted.framing + counted.parity + counted.breaks
        return len(over.data)

    async def stay(self, until_ns: int, *, blind: bool = False) -> None:
        """Listen at one setting until enough was heard for a judgement, or time is up."""
        bus = self.bus
        enough = _ENOUGH_BLIND if blind else _ENOUGH_BYTES
        while not self.should_stop() and bus.now() < until_ns:
            settings = bus.settings or "the settings of the far end"
            heard = await self.slice(until_ns, f"listening at {settings}, nothing is sent")
            stay = self.here()
            since_ns = bus.now() - stay.chunks[0].t_ns if stay.chunks else 0
            much = stay.size >= enough or since_ns > (_LONG_NS if blind else _SHORT_NS)
            if stay.size and much and (not heard or stay.size >= 4 * enough):
                return
            if stay.size and not heard and stay.stay().frames >= 2:
                return


def _counters(bus: Bus) -> LineErrors | None:
    return bus.line_errors()


async def listen(
    bus: Bus,
    seconds: float = 10.0,
    *,
    given: LineSettings | None = None,
    observe: Observer = ignore,
    on_heard: Callable[[Heard, Conversation], None] = lambda heard, conversation: None,
    should_stop: Callable[[], bool] = lambda: False,
) -> Listening:
    """Listen to a serial line.

    Args:
        bus: The bus; it is left at the settings found.
        seconds: How long [s]; up to half as long again where the settings had to be found.
        given: Settings to stay at; they are found where None.
        observe: Told every moment.
        on_heard: Told what is known whenever more was heard.
        should_stop: Asked every moment.
    """
    listener = _Listener(bus, observe, on_heard, should_stop)
    start = listener.start_ns = bus.now()
    until = start + round(seconds * 1e9)
    counters = _counters(bus)
    if given is None and bus.settings is not None:
        await _find(listener, until)
        heard = listener.judged()
        if heard.state in _GO_ON_AT and heard.settings is not None:
            if heard.settings != bus.settings:
                with contextlib.suppress(LinkError):
                    await bus.configure(heard.settings)
            until = max(until, bus.now() + round(_LEAST_SHARE * seconds * 1e9))
    while bus.now() < until and not should_stop():
        if await listener.slice(until, f"listening at {bus.settings or 'given settings'}"):
            stay = listener.here()
            on_heard(listener.judged(), conversation_of(stay.pieces()))
    heard = listener.judged()
    here = listener.here()
    conversation = conversation_of(here.pieces())
    known = heard.state is LineState.CONVERSATION
    elsewhere = sum(s.size - s.stay().framed for s in listener.stays.values())
    after = _counters(bus)
    return Listening(
        heard,
        conversation,
        heard.settings if known else None,
        (bus.now() - start) / 1e9,
        conversation.junk_bytes if known else elsewhere,
        after - counters if after is not None and counters is not None else None,
        any(c.marks is not None for s in listener.stays.values() for c in s.chunks),
    )


async def _find(listener: _Listener, until_ns: int) -> None:
    """Change settings until frames are heard, or nothing more can be learnt."""
    bus = listener.bus
    tried: set[LineSettings] = set()
    while not listener.should_stop() and bus.now() < until_ns:
        blind = bus.settings in tried
        if bus.settings is not None:
            tried.add(bus.settings)
        await listener.stay(until_ns, blind=blind)
        heard = listener.judged()
        listener.on_heard(heard, conversation_of(listener.here().pieces()))
        if heard.next_settings is None:
            return
        settled = (LineState.JABBER, LineState.FLOATING, LineState.SWAPPED)
        if heard.state in settled and heard.next_settings in tried:
            return
        if heard.next_settings != bus.settings:
            try:
                await bus.configure(heard.next_settings)
            except LinkError:
                # The far end refuses these settings: what is heard at the present ones remains. A
                # link that is lost says so again at once.
                return
