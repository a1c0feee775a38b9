"""The adapter of a host: bytes with their arrival times, in virtual time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from busprobe.model.chunk import Chunk, Direction
from busprobe.model.line import LineSettings
from busprobe_sim.line.node import Node
from busprobe_sim.line.parameters import PortParameters
from busprobe_sim.physics.chance import stream

if TYPE_CHECKING:
    from busprobe_sim.line.line import Line

# Bytes with less than this between them reach the host in one go when there is no timer.
_RUN_GAP_CHARACTERS = 1.5


class Port(Node):
    """A port of the line.

    Several ports may be open on one line; each call of `next_arrival` moves the one common time.
    """

    def __init__(self, line: Line, parameters: PortParameters, name: str = "") -> None:
        super().__init__(line, name or f"port-{len(line.nodes)}", parameters.node)
        self.port_parameters = parameters
        self._latency_ns = round(parameters.latency_ms * 1e6)
        # The delivery timer of an adapter runs freely.
        self._phase_ns = round(stream(line.seed, self.name).random() * self._latency_ns)

    @property
    def now_ns(self) -> int:
        """Virtual time [ns]."""
        return self.line.now_ns

    @property
    def uncertainty_ns(self) -> int:
        """How late a byte may be stamped at worst [ns]."""
        return self._latency_ns

    def write(self, t_ns: int, data: bytes) -> int:
        """Send bytes.

        Args:
            t_ns: Earliest start of the first bit [ns].
            data: The bytes; nothing happens when empty.

        Returns:
            Start of the first bit [ns].
        """
        start = max(t_ns, self.line.now_ns)
        return self.line.transmit(self, data, start) if data else start

    def next_arrival(self, until_ns: int) -> Chunk | None:
        """Let time pass until bytes arrive, or to `until_ns`.

        Returns:
            The bytes, or None when nothing arrived by `until_ns` [ns].
        """
        line, hearing = self.line, self.hearing
        while True:
            event_ns = line.next_event_ns
            limit = min(event_ns, until_ns)
            hearing.advance(limit)
            ready_ns = self._ready(limit, until_ns)
            if ready_ns is not None:
                heard = hearing.take(ready_ns)
                line.now_ns = max(line.now_ns, ready_ns)
                return Chunk(
                    Direction.RECEIVED,
                    ready_ns,
                    heard.data,
                    self._latency_ns,
                    tuple(heard.marks) if self.port_parameters.reports_marks else None,
                )
            if event_ns > until_ns:
                line.now_ns = max(line.now_ns, until_ns)
                return None
            line.step()

    def _ready(self, limit: int, until_ns: int) -> int | None:
        """When the bytes heard so far are in the host's hands [ns], if by `limit`."""
        ends = self.hearing.ends
        if not ends:
            return None
        if self._latency_ns:
            ready = self._timer_after(ends[0])
            full = self.port_parameters.packet_bytes
            if len(ends) >= full:
                ready = min(ready, ends[full - 1])
            return ready if ready <= limit else None
        starts = self.hearing.starts
        gap = _RUN_GAP_CHARACTERS * self.timing.character_ns
        for i in range(1, len(ends)):
            if starts[i] - ends[i - 1] > gap:
                return ends[i - 1]
        if limit >= until_ns:
            return ends[-1]
        # More of the same run may follow.
        going_on = self.hearing.inside_character or self.line.busy_until_ns > ends[-1] + gap
        return None if going_on else ends[-1]

    def _timer_after(self, t_ns: int) -> int:
        periods = math.ceil((t_ns - self._phase_ns) / self._latency_ns)
        return self._phase_ns + periods * self._latency_ns

    def configure(self, settings: LineSettings) -> None:
        """Change rate and format at once; what was heard before is kept."""
        self.hearing.rewind(self.line.now_ns)
        super().configure(settings)
