"""A link in virtual time that answers as a recording did.

What was received is given out again at its recorded time, keyed to what was sent: each `send` looks
for the next recorded sending of the same bytes at the same line settings, and what was heard after
that follows. A procedure that asks the same again therefore finds what it found. Where something is
asked that was asked only earlier in the recording, that earlier place is taken and its times are
moved behind now; where it was never asked, the link is silent and `unmatched` counts it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from busprobe.link.base import Framing, closed_error
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.line import Endpoint, LineSettings


class ReplayLink:
    """A recording as a link.

    Args:
        endpoint: What to call it.
        timeline: Chunks in the order noticed, and the settings before the first they hold for.
        framing: How a PDU was wrapped on the recorded link.
        arrival_uncertainty_ns: How late the recorded link could stamp a byte [ns]; that of the
            chunks if larger.

    Attributes:
        unmatched: Sendings that the recording knows nothing of.
    """

    def __init__(
        self,
        endpoint: Endpoint,
        timeline: Iterable[LineSettings | Chunk],
        framing: Framing,
        arrival_uncertainty_ns: int = 0,
    ) -> None:
        self._endpoint = endpoint
        self._framing = framing
        self._chunks: list[Chunk] = []
        self._lines: list[LineSettings | None] = []
        line: LineSettings | None = None
        for step in timeline:
            if isinstance(step, LineSettings):
                line = step
            else:
                self._chunks.append(step)
                self._lines.append(line)
        self._settings = self._lines[0] if self._lines else None
        self._uncertainty_ns = max(
            arrival_uncertainty_ns,
            *(c.uncertainty_ns for c in self._chunks if c.direction is Direction.RECEIVED),
            0,
        )
        self._now_ns = self._chunks[0].t_ns if self._chunks else 0
        self._at = 0  # the next chunk
        self._shift_ns = 0  # recorded time to time now
        self._closed = False
        self.unmatched = 0

    @property
    def endpoint(self) -> Endpoint:
        """Where this link leads."""
        return self._endpoint

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
        return self._uncertainty_ns

    @property
    def finished(self) -> bool:
        """Whether everything that was recorded has been given out."""
        return self._at >= len(self._chunks)

    def now(self) -> int:
        """Virtual time [ns]; starts with the first recorded chunk."""
        return self._now_ns

    async def send(self, data: bytes) -> Chunk:
        """Go to where the same bytes were sent, or be silent where they never were."""
        self._require_open()
        found = self._find(data)
        if found is None:
            self.unmatched += 1
            self._at = self._next_sending(self._at)
            return Chunk(Direction.SENT, self._now_ns, bytes(data))
        recorded = self._chunks[found]
        self._shift_ns = max(0, self._now_ns - recorded.t_ns)
        self._now_ns = recorded.t_ns + self._shift_ns
        self._at = found + 1
        return replace(recorded, t_ns=self._now_ns)

    async def receive(self, until_ns: int) -> Chunk | None:
        """Give the next chunk that was received before the next sending, or let time pass."""
        self._require_open()
        if self._at < len(self._chunks):
            chunk = self._chunks[self._at]
            t_ns = chunk.t_ns + self._shift_ns
            if chunk.direction is Direction.RECEIVED and t_ns <= until_ns:
                self._at += 1
                self._now_ns = max(self._now_ns, t_ns)
                return replace(chunk, t_ns=t_ns)
        self._now_ns = max(self._now_ns, until_ns)
        return None

    async def configure(self, settings: LineSettings) -> None:
        """From now on only what was recorded at these settings is found."""
        self._require_open()
        self._settings = settings

    async def close(self) -> None:
        """Release the link."""
        self._closed = True

    def _require_open(self) -> None:
        if self._closed:
            raise closed_error(self._endpoint.argument)

    def _find(self, data: bytes) -> int | None:
        """Where the same was sent: from here on, else before."""
        count = len(self._chunks)
        for step in range(count):
            index = (self._at + step) % count
            chunk, line = self._chunks[index], self._lines[index]
            if (
                chunk.direction is Direction.SENT
                and chunk.data == data
                and line in (None, self._settings)
            ):
                return index
        return None

    def _next_sending(self, at: int) -> int:
        while at < len(self._chunks) and self._chunks[at].direction is Direction.RECEIVED:
            at += 1
        return at
