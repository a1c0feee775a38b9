"""One bus, one owner, one exchange at a time.

Rules:

1. A request starts only after the line was quiet for t3.5 (or the gap asked for).
2. An answer ends by silence, not by its expected length, so that a second answer is heard. On
Modbus
   TCP the transaction id says which answer is ours, and the exchange ends with it.
3. Bytes that are no answer do not end the wait: the response timer keeps running (Modbus over
Serial
   Line V1.02, section 2.4.1).
4. The bus has a clock of its own, moved only by what comes of the link: a sending, an arrival, the
   end of a wait. Before it listens or sends anew it is set by the clock of the link; a leap is told
   to `on_moment`. So a recording holds every instant on which a verdict may rest.
5. Nothing received is dropped. Every chunk goes to `on_chunk` before anything decodes it; what fits
   no frame becomes `Unframed`; what arrives between exchanges is kept as overheard.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from busprobe.bus.assemble import ByteTimes, classify, pieces_of, strip_echo
from busprobe.bus.permit import WritePermit, changes_a_device
from busprobe.link.base import Framing, Link, RecordedClock
from busprobe.link.line_errors import LineErrors, LineErrorSource
from busprobe.model.chunk import Chunk, Moment
from busprobe.model.errors import LinkError
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.line import LineSettings
from busprobe.wire import mbap, pdu, rtu, timing
from busprobe.wire.crc import LONGEST_ADU

MS = 1_000_000

# Timing assumed where a link hides the line settings (RTU over TCP): the slowest rate in common
# use. Common practice, no source.
_ASSUMED_SETTINGS = LineSettings(9600)
# A babbling line is waited for so long before a request is sent all the same. Common practice, no
# source.
_LONGEST_WAIT_NS = 1_000 * MS
# So soon a request to stop is seen while listening.
_SLICE_NS = 250 * MS
# Leaps of the clock below this are not worth a row in a recording: nothing waits so shortly.
_LEAP_NS = 1 * MS
# Unanswered requests that are remembered, so that a late answer is known as one.
_REMEMBERED = 32


@dataclass(frozen=True, slots=True)
class Overheard:
    """What was heard without a request of ours.

    Attributes:
        chunks: As received.
        pieces: Frames and the bytes between them, in wire order.
        duration_ns: How long the bus listened [ns].
    """

    chunks: tuple[Chunk, ...]
    pieces: tuple[Frame | Unframed, ...]
    duration_ns: int

    @property
    def data(self) -> bytes:
        """All bytes heard."""
        return b"".join(chunk.data for chunk in self.chunks)


@dataclass
class Bus:
    """The only user of a link.

    Attributes:
        link: The link; nobody else may use it.
        on_chunk: Called with every chunk, sent or received, before it is decoded.
        on_exchange: Called with every finished exchange.
        on_settings: Called when the line settings were changed.
        on_refused: Called when the link refused line settings.
        on_moment: Called when the clock of the bus leaps.
        on_errors: Called when error counters of the line were read, with the counters.
        gap_ns: Least silence before a request [ns]; t3.5 of the line where None.
    """

    link: Link
    on_chunk: Callable[[Chunk], None] | None = None
    on_exchange: Callable[[Exchange], None] | None = None
    on_settings: Callable[[LineSettings], None] | None = None
    on_refused: Callable[[LineSettings], None] | None = None
    on_moment: Callable[[Moment], None] | None = None
    on_errors: Callable[[LineErrors], None] | None = None
    gap_ns: int | None = None
    exchanges: int = 0
    _stray: list[Chunk] = field(default_factory=list)
    _last_activity_ns: int | None = None
    _unanswered: list[tuple[int, bytes]] = field(default_factory=list)
    _transaction: int = 0
    _errors: tuple[int, LineErrors | None] | None = None
    _mbap: mbap.Decoder = field(default_factory=mbap.Decoder)

    def __post_init__(self) -> None:
        self._clock_ns = self.link.now()
        self._waited_out = False

    def now(self) -> int:
        """The clock of the bus [ns]: that of the link when it last gave or took something."""
        return self._clock_ns

    def start_at(self, t_ns: int) -> None:
        """Take the instant at which a recording of this bus begins [ns] for the present one."""
        self._clock_ns = t_ns

    def catch_up(self) -> None:
        """Set the clock by that of the link before work begins: what is timed begins now."""
        self._set_clock()

    def _set_clock(self) -> None:
        """Set the clock by that of the link, where work beside the bus took a while."""
        link = self.link
        now = link.moment(self._clock_ns) if isinstance(link, RecordedClock) else link.now()
        leap = now - self._clock_ns
        if leap > _LEAP_NS:
            self._clock_ns = now
            if self.on_moment is not None:
                self.on_moment(Moment(now, leap))

    async def _send(self, data: bytes) -> Chunk:
        sent = await self.link.send(data)
        self._clock_ns = max(self._clock_ns, sent.t_ns)
        self._waited_out = False
        self._note(sent)
        return sent

    async def _receive(self, until_ns: int) -> Chunk | None:
        """The next chunk stamped in time, noted; the clock moves with it, or with the wait."""
        chunk = await self.link.receive(until_ns)
        if chunk is None:
            self._clock_ns = max(self._clock_ns, until_ns)
            self._waited_out = True
            return None
        if self._waited_out and chunk.t_ns <= self._clock_ns:
            # Handed over too late for the wait that has ended: it counts from now on, and the
            # recorded moment parts it from that wait.
            late_ns = self._clock_ns - chunk.t_ns
            chunk = replace(
                chunk, t_ns=self._clock_ns, uncertainty_ns=chunk.uncertainty_ns + late_ns
            )
            if self.on_moment is not None:
                self.on_moment(Moment(self._clock_ns, 0))
        self._clock_ns = max(self._clock_ns, chunk.t_ns)
        self._waited_out = False
        self._note(chunk)
        return chunk

    def line_errors(self) -> LineErrors | None:
        """Error counters of the line so far, None where they are unknown.

        Raises:
            LinkError: The link is closed.
        """
        link = self.link
        if not isinstance(link, LineErrorSource):
            return None
        if self._errors is not None and self._errors[0] == self._clock_ns:
            # Two answers at one instant of the clock could not be told apart in a recording.
            return self._errors[1]
        counted = link.line_errors()
        self._errors = self._clock_ns, counted
        if counted is not None and self.on_errors is not None:
            self.on_errors(counted)
        return counted

    @property
    def is_serial(self) -> bool:
        """Whether frames are told apart by silence on a line (RTU)."""
        return self.link.framing is Framing.RTU

    @property
    def settings(self) -> LineSettings | None:
        """Line settings in force, as far as the link knows them."""
        return self.link.settings

    @property
    def line(self) -> LineSettings:
        """Line settings for timing: those in force, or an assumption where they are hidden."""
        return self.link.settings or _ASSUMED_SETTINGS

    async def configure(self, settings: LineSettings) -> None:
        """Change the line settings; what was heard before stays attributed to before."""
        await self._set(settings)
        self._unanswered.clear()

    def take_stray(self) -> tuple[Chunk, ...]:
        """Chunks that were heard between exchanges since the last call."""
        stray = tuple(self._stray)
        self._stray.clear()
        return stray

    def take_stray_pieces(self) -> tuple[Frame | Unframed, ...]:
        """What was heard between exchanges since the last call, cut into pieces."""
        stray = self.take_stray()
        return pieces_of(ByteTimes.of(stray, self.line), None) if stray else ()

    async def listen(
        self, duration_ns: int, should_stop: Callable[[], bool] | None = None
    ) -> Overheard:
        """Listen without sending a byte.

        Args:
            duration_ns: How long [ns].
            should_stop: Asked several times a second; ends the listening early.
        """
        self._set_clock()
        start = self.now()
        until = start + duration_ns
        chunks: list[Chunk] = []
        while True:
            slice_end = until if should_stop is None else min(until, self.now() + _SLICE_NS)
            chunk = await self._receive(slice_end)
            if chunk is not None:
                chunks.append(chunk)
            elif slice_end >= until:
                break
            if should_stop is not None and should_stop():
                break
        return Overheard(
            tuple(chunks), pieces_of(ByteTimes.of(chunks, self.line), None), self.now() - start
        )

    async def exchange(
        self,
        address: int,
        request: bytes,
        *,
        listen_ns: int,
        linger_ns: int = 0,
        gap_ns: int | None = None,
        permit: WritePermit | None = None,
        sent_at: LineSettings | None = None,
        pause_after: int = 0,
    ) -> Exchange:
        """Ask one device and hear everything until the bus is quiet again.

        Args:
            address: 1..247 on a serial line, a unit id on Modbus TCP.
            request: The request PDU.
            listen_ns: How long to wait for the first byte after the request has left [ns].
            linger_ns: How long to go on listening after a whole answer, for a second one [ns].
            gap_ns: Least silence before the request [ns], else the bus's own.
            permit: Leave to write; without it no request that changes a device is sent.
            sent_at: Send the request at these settings; the answer is heard at those in force. On a
                serial line only, and only to read.
            pause_after: Be silent for about a character after so many bytes of a request that is
                sent at other settings; a frame may pause for t1.5.

        Raises:
            LinkError: The link is lost, or refuses the settings.
            ValueError: The address may not be asked, or the request may not be sent.
        """
        if changes_a_device(request) and not (permit and permit.covers(address, request)):
            raise ValueError("a request that changes a device needs a permit")
        if sent_at is not None and (permit is not None or not self.is_serial):
            raise ValueError("only a read on a serial line may be sent at other settings")
        if self.is_serial:
            if not 1 <= address <= 247:
                raise ValueError(f"address {address} must not be asked on a serial line")
            exchange = await self._rtu_exchange(
                address, request, listen_ns, linger_ns, gap_ns, sent_at, pause_after
            )
            if sent_at is not None:
                exchange = replace(exchange, sent_at=sent_at)
        else:
            if not 0 <= address <= 255:
                raise ValueError(f"{address} is not a unit id")
            exchange = await self._mbap_exchange(address, request, listen_ns)
        self._remember(exchange)
        if self.on_exchange is not None:
            self.on_exchange(exchange)
        return exchange

    def _note(self, chunk: Chunk) -> None:
        self._last_activity_ns = chunk.t_ns
        if self.on_chunk is not None:
            self.on_chunk(chunk)

    async def settle(self, gap_ns: int) -> None:
        """Wait until the line was quiet for a while; what is heard meanwhile is stray."""
        await self._wait_for_quiet(gap_ns)

    async def _wait_for_quiet(self, gap_ns: int) -> None:
        """Return once the line was quiet for the gap; what is heard meanwhile is stray.

        A line that never is quiet (no bias, noise) must not stop the work: the wait is bounded.
        """
        self._set_clock()
        give_up = self.now() + max(_LONGEST_WAIT_NS, 2 * gap_ns)
        while self.now() < give_up:
            last = self._last_activity_ns
            until = self.now() if last is None else max(self.now(), last + gap_ns)
            chunk = await self._receive(min(until, give_up))
            if chunk is None:
                return
            self._stray.append(chunk)

    def _silence_ns(self) -> int:
        """Silence that ends an answer [ns]: t3.5, and as much as the link may be late."""
        return timing.t3_5_ns(self.line) + self.link.arrival_uncertainty_ns

    async def _rtu_exchange(
        self,
        address: int,
        request: bytes,
        listen_ns: int,
        linger_ns: int,
        gap_ns: int | None,
        sent_at: LineSettings | None,
        pause_after: int,
    ) -> Exchange:
        least_gap = timing.t3_5_ns(self.line)
        wanted = gap_ns if gap_ns is not None else self.gap_ns
        await self._wait_for_quiet(max(least_gap, wanted or 0))
        adu = rtu.encode(address, request)
        heard: list[Chunk] = []
        if sent_at is None:
            sent = await self._send(adu)
            request_end = sent.t_ns + self.line.duration_ns(len(adu))
        else:
            sent, request_end = await self._send_at(sent_at, adu, heard, pause_after)
        self._last_activity_ns = request_end
        late = self.link.arrival_uncertainty_ns
        asked = (address, request)

        def assembled() -> tuple[ByteTimes, bool, tuple[Frame | Unframed, ...]]:
            times, echo = strip_echo(ByteTimes.of(heard, self.line), adu, request_end, late)
            return times, echo, pieces_of(times, asked)

        data = bytearray().join(chunk.data for chunk in heard)
        deadline = waiting = request_end + listen_ns + late
        # A line that never is silent must not hold up the work: no answer begins later than it is
        # waited for, nor do two of them and their pauses take longer.
        longest_ns = max(_LONGEST_WAIT_NS, 2 * self.line.duration_ns(LONGEST_ADU))
        give_up = waiting + linger_ns + longest_ns
        while (chunk := await self._receive(deadline)) is not None:
            heard.append(chunk)
            data += chunk.data
            # An adapter hands over a long answer in many chunks; only the last of them matter.
            answer = None
            if rtu.may_hold_answer(data, address, request[0]):
                answer = _answer_in(assembled()[2], address, request)
            deadline = max(
                waiting if answer is None else answer.t_end_ns + linger_ns,
                chunk.t_ns + self._silence_ns(),
            )
            deadline = min(deadline, give_up)
        self._last_activity_ns = max(self._last_activity_ns or 0, request_end)
        times, echo, pieces = assembled()
        first_start = times.start_ns(0) if times.data else None
        return self._finish(
            Frame(address, request, sent.t_ns, request_end, adu),
            pieces,
            (sent, *heard),
            echo=echo,
            turnaround_ns=None if first_start is None else first_start - request_end,
            turnaround_uncertainty_ns=times.uncertainty_ns(0) if times.data else 0,
            listened_ns=self.now() - request_end,
        )

    async def _send_at(
        self, settings: LineSettings, adu: bytes, heard: list[Chunk], pause_after: int
    ) -> tuple[Chunk, int]:
        """Send at other settings; returns the chunk and when its last character ends [ns].

        Args:
            settings: Those to send at; the ones in force are restored once all has left.
            adu: What to send.
            heard: Takes what is received meanwhile.
            pause_after: See `exchange`.
        """
        home = self.line
        await self._set(settings)
        try:
            sent = await self._send(adu[:pause_after] or adu)
            request_end = sent.t_ns + settings.duration_ns(len(sent.data))
            if pause_after:
                await self._hear_until(request_end + settings.character_ns, heard)
                rest = await self._send(adu[pause_after:])
                request_end = rest.t_ns + settings.duration_ns(len(rest.data))
                sent = replace(sent, data=adu)
            # The end of an echo may come a little later, by a clock that is a little slow.
            await self._hear_until(request_end + settings.character_ns // 4, heard)
        finally:
            await self._set(home)
        return sent, request_end

    async def _hear_until(self, until_ns: int, heard: list[Chunk]) -> None:
        while (chunk := await self._receive(until_ns)) is not None:
            heard.append(chunk)

    async def _set(self, settings: LineSettings) -> None:
        try:
            await self.link.configure(settings)
        except LinkError:
            if self.on_refused is not None:
                self.on_refused(settings)
            raise
        if self.on_settings is not None:
            self.on_settings(settings)

    async def _mbap_exchange(self, unit: int, request: bytes, listen_ns: int) -> Exchange:
        await self._wait_for_quiet(0)
        self._transaction = self._transaction % 0xFFFF + 1
        adu = mbap.encode(self._transaction, unit, request)
        sent = await self._send(adu)
        heard: list[Chunk] = []
        pieces: list[Frame | Unframed] = []
        until = sent.t_ns + listen_ns
        done = False
        while not done and (chunk := await self._receive(until)) is not None:
            heard.append(chunk)
            for piece in self._mbap.feed(chunk.data):
                if isinstance(piece, mbap.Malformed):
                    pieces.append(Unframed(piece.data, chunk.t_ns))
                    continue
                pieces.append(Frame(piece.unit, piece.pdu, chunk.t_ns, chunk.t_ns, piece.raw))
                done = done or piece.transaction == self._transaction
        first = heard[0] if heard else None
        # A response with another transaction id answers an earlier request: it is kept, and does
        # not crowd this one (Modbus Messaging on TCP/IP V1.0b, section 4.4.2.2).
        mine = tuple(
            piece for piece in pieces if isinstance(piece, Frame) and self._is_current(piece)
        )
        return self._finish(
            Frame(unit, request, sent.t_ns, sent.t_ns, adu),
            mine or tuple(pieces),
            (sent, *heard),
            echo=False,
            turnaround_ns=None if first is None else max(0, first.t_ns - sent.t_ns),
            turnaround_uncertainty_ns=self.link.arrival_uncertainty_ns,
            listened_ns=self.now() - sent.t_ns,
        )

    def _is_current(self, frame: Frame) -> bool:
        """Whether a frame from Modbus TCP carries the transaction id of the request under way."""
        return int.from_bytes(frame.raw[:2], "big") == self._transaction

    def _finish(
        self,
        request: Frame,
        pieces: tuple[Frame | Unframed, ...],
        chunks: tuple[Chunk, ...],
        *,
        echo: bool,
        turnaround_ns: int | None,
        turnaround_uncertainty_ns: int,
        listened_ns: int,
    ) -> Exchange:
        outcome, answer = classify(
            request,
            pieces,
            tuple(self._unanswered),
            (lambda frame: True) if self.is_serial else self._is_current,
        )
        self.exchanges += 1
        return Exchange(
            number=self.exchanges,
            request=request,
            outcome=outcome,
            answer=answer,
            pieces=pieces,
            echo=echo,
            turnaround_ns=turnaround_ns,
            turnaround_uncertainty_ns=turnaround_uncertainty_ns,
            listened_ns=listened_ns,
            chunks=chunks,
        )

    def _remember(self, exchange: Exchange) -> None:
        if exchange.answer is None:
            self._unanswered.append((exchange.request.address, exchange.request.pdu))
            del self._unanswered[:-_REMEMBERED]
        elif exchange.outcome in (Outcome.ANSWERED, Outcome.EXCEPTION):
            kept = [u for u in self._unanswered if u[0] != exchange.request.address]
            self._unanswered[:] = kept

    async def close(self) -> None:
        """Release the link."""
        await self.link.close()


def _answer_in(pieces: tuple[Frame | Unframed, ...], address: int, request: bytes) -> Frame | None:
    """The first frame that answers a request."""
    for piece in pieces:
        if (
            isinstance(piece, Frame)
            and piece.address == address
            and pdu.matches(request, piece.pdu)
        ):
            return piece
    return None
