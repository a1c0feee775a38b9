"""A link in virtual time that answers as a recording did.

What was received is given out again at its recorded time, keyed to what was sent: each `send` looks
for the next recorded sending of the same bytes at the same line settings, and what was heard after
that follows. A procedure that asks the same again therefore finds what it found. Where something is
asked that was asked only earlier in the recording, that earlier place is taken and its times are
moved behind now; where it was never asked, the link is silent and `unmatched` counts it.

On Modbus TCP the transaction id belongs to the call, not to the question: requests are compared
without it, and responses get that of the request they are given to.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from busprobe.link.base import Framing, closed_error
from busprobe.link.line_errors import LineErrors
from busprobe.model.chunk import Chunk, Direction, Moment
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.wire import mbap

_ID_BYTES = 2


@dataclass(frozen=True, slots=True)
class LinkPast:
    """What is known of a recorded link beside what crossed it.

    Attributes:
        kind: What kind of link it was.
        started_t_ns: Its clock at the beginning [ns]; that of the first chunk where None.
        settings: Its first line settings; those of the first chunk where None.
        arrival_uncertainty_ns: How late it could stamp a byte at the beginning [ns].
        arrival_ns: The same by line settings [ns]; where it is empty, the chunks tell.
        refused: Line settings that it refused.
        errors: Error counters of the line as they were read, each with its instant [ns].
    """

    kind: LinkKind = LinkKind.REPLAY
    started_t_ns: int | None = None
    settings: LineSettings | None = None
    arrival_uncertainty_ns: int = 0
    arrival_ns: Mapping[LineSettings | None, int] = field(default_factory=dict)
    refused: frozenset[LineSettings] = frozenset()
    errors: Sequence[tuple[int, LineErrors]] = ()


class ReplayLink:
    """A recording as a link.

    Args:
        endpoint: What to call it.
        timeline: Chunks in the order noticed, leaps of the clock between them, and the settings
            before the first they hold for.
        framing: How a PDU was wrapped on the recorded link.
        past: What else is known of the link.

    Attributes:
        unmatched: Sendings that the recording knows nothing of.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        timeline: Iterable[LineSettings | Chunk | Moment],
        framing: Framing,
        past: LinkPast | None = None,
    ) -> None:
        past = past or LinkPast()
        self._endpoint = endpoint
        self._framing = framing
        self._past = past
        self._steps: list[Chunk | Moment] = []
        self._lines: list[LineSettings | None] = []
        line: LineSettings | None = None
        for step in timeline:
            if isinstance(step, LineSettings):
                line = step
            else:
                self._steps.append(step)
                self._lines.append(line)
        self._settings = past.settings or (self._lines[0] if self._lines else None)
        self._uncertainty_ns = max(
            past.arrival_uncertainty_ns,
            *(
                c.uncertainty_ns
                for c in self._steps
                if isinstance(c, Chunk) and c.direction is Direction.RECEIVED
            ),
            0,
        )
        first_ns = self._steps[0].t_ns if self._steps else 0
        self._now_ns = first_ns if past.started_t_ns is None else past.started_t_ns
        self._at = 0  # the next step
        self._shift_ns = 0  # recorded time to time now
        self._ids: dict[bytes, bytes] = {}  # recorded transaction ids to those of this call
        self._closed = False
        self.unmatched = 0

    @property
    def endpoint(self) -> Endpoint:
        """Where this link leads."""
        return self._endpoint

    @property
    def recorded_kind(self) -> LinkKind:
        """What kind of link was recorded."""
        return self._past.kind

    @property
    def framing(self) -> Framing:
        """How a PDU is wrapped."""
        return self._framing

    @property
    def settings(self) -> LineSettings | None:
        """Line settings in force, as far as the recording knows them."""
        return self._settings

    @property
    def arrival_uncertainty_ns(self) -> int:
        """How late the recorded link could stamp a received byte [ns]."""
        return self._past.arrival_ns.get(self._settings, self._uncertainty_ns)

    @property
    def finished(self) -> bool:
        """Whether everything that was recorded has been given out."""
        return self._at >= len(self._steps)

    def now(self) -> int:
        """Virtual time [ns]; starts with the recording."""
        return self._now_ns

    def moment(self, clock_ns: int) -> int:
        """Virtual time [ns], moved by the next recorded leap where that comes next.

        Leaps with nothing between them are one: a step begins with one, its first wait with
        another, and whoever replays it otherwise knows of no such beginning.
        """
        leapt = False
        while self._at < len(self._steps):
            step = self._steps[self._at]
            if not isinstance(step, Moment) or (leapt and not step.leap_ns):
                break
            if clock_ns < step.t_ns - step.leap_ns + self._shift_ns:
                break
            self._at += 1
            self._now_ns = max(self._now_ns, step.t_ns + self._shift_ns)
            clock_ns, leapt = self._now_ns, True
        return self._now_ns

    def line_errors(self) -> LineErrors | None:
        """The error counters of the line as they were read last, None where they never were.

        Raises:
            LinkError: The link is closed.
        """
        self._require_open()
        errors = self._past.errors
        at = bisect_right(errors, self._now_ns - self._shift_ns, key=lambda read: read[0])
        return errors[at - 1][1] if at else None

    async def send(self, data: bytes) -> Chunk:
        """Go to where the same bytes were sent, or be silent where they never were."""
        self._require_open()
        found = self._find(data)
        if found is None:
            self.unmatched += 1
            self._at = self._next_sending(self._at)
            return Chunk(Direction.SENT, self._now_ns, bytes(data))
        recorded = self._steps[found]
        assert isinstance(recorded, Chunk)
        if self._framing is Framing.MBAP:
            self._ids[recorded.data[:_ID_BYTES]] = data[:_ID_BYTES]
        self._shift_ns = max(0, self._now_ns - recorded.t_ns)
        self._now_ns = recorded.t_ns + self._shift_ns
        self._at = found + 1
        return replace(recorded, t_ns=self._now_ns, data=bytes(data))

    async def receive(self, until_ns: int) -> Chunk | None:
        """Give the next chunk that was received before the next sending, or let time pass."""
        self._require_open()
        self._pass_moments_until(self._now_ns)
        if self._at < len(self._steps):
            step = self._steps[self._at]
            t_ns = step.t_ns + self._shift_ns
            heard = isinstance(step, Chunk) and step.direction is Direction.RECEIVED
            if heard and t_ns <= until_ns:
                assert isinstance(step, Chunk)
                self._at += 1
                self._now_ns = max(self._now_ns, t_ns)
                return replace(step, t_ns=t_ns, data=self._renumbered(step.data))
        self._now_ns = max(self._now_ns, until_ns)
        return None

    async def configure(self, settings: LineSettings) -> None:
        """From now on only what was recorded at these settings is found.

        Raises:
            LinkError: The recorded link refused these settings, or the link is closed.
        """
        self._require_open()
        if settings in self._past.refused:
            raise LinkError(
                f"The recorded link refused the line settings {settings}.",
                "Replay what was done at other settings.",
            )
        self._settings = settings

    async def close(self) -> None:
        """Release the link."""
        self._closed = True

    def _pass_moments_until(self, now_ns: int) -> None:
        """Pass what parted a late chunk from a wait that has ended."""
        while self._at < len(self._steps):
            step = self._steps[self._at]
            if not isinstance(step, Moment) or step.t_ns + self._shift_ns > now_ns:
                break
            self._at += 1

    def _require_open(self) -> None:
        if self._closed:
            raise closed_error(self._endpoint.argument)

    def _renumbered(self, data: bytes) -> bytes:
        """Whole responses on Modbus TCP with the ids of this call; all else as it was."""
        if self._framing is not Framing.MBAP or all(a == b for a, b in self._ids.items()):
            return data
        decoder = mbap.Decoder()
        made = b""
        for piece in (*decoder.feed(data), *decoder.flush()):
            if isinstance(piece, mbap.Adu):
                head = piece.raw[:_ID_BYTES]
                made += self._ids.get(head, head) + piece.raw[_ID_BYTES:]
            else:
                made += piece.data
        return made

    def _key(self, data: bytes) -> bytes:
        return data[_ID_BYTES:] if self._framing is Framing.MBAP else data

    def _find(self, data: bytes) -> int | None:
        """Where the same was sent: from here on, else before."""
        count = len(self._steps)
        wanted = self._key(data)
        for offset in range(count):
            index = (self._at + offset) % count
            step, line = self._steps[index], self._lines[index]
            if (
                isinstance(step, Chunk)
                and step.direction is Direction.SENT
                and self._key(step.data) == wanted
                and line in (None, self._settings)
            ):
                return index
        return None

    def _next_sending(self, at: int) -> int:
        while at < len(self._steps):
            step = self._steps[at]
            if isinstance(step, Chunk) and step.direction is Direction.SENT:
                break
            at += 1
        return at
