"""Lets a simulated line run in step with the real clock, for any number of ports at once.

Theory of operation: the line knows everything up to the instant it was last asked for. The pump
asks for the present whenever something may have happened: every millisecond while somebody sends,
else when the line's next event is due, and at once when a host writes. Bytes so reach a host up to
about two milliseconds after their end on the simulated wire.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable

from busprobe.model.line import NS_PER_S, LineSettings
from busprobe.wire.timing import t3_5_ns
from busprobe_sim.line.line import Line
from busprobe_sim.line.port import Port

_TICK_S = 0.001
# Room for devices whose clock is slow.
_SILENCE_MARGIN = 1.2
_LONGEST_SLEEP_S = 0.1
# After the end of a transmission the receivers still deliver for a while.
_LINGER_NS = 5_000_000
_LONGEST_LOG = 20_000

Sink = Callable[[bytes], None]


class Pump:
    """Drives one line.

    Args:
        line: The line; its present becomes the present of the real clock.
    """

    def __init__(self, line: Line) -> None:
        self._line = line
        self._offset_ns = line.now_ns - time.monotonic_ns()
        self._sinks: list[tuple[Port, Sink]] = []
        self._wake = asyncio.Event()

    def now_ns(self) -> int:
        """The present, on the line's clock [ns]."""
        return time.monotonic_ns() + self._offset_ns

    def attach(self, port: Port, sink: Sink) -> None:
        """Hand everything that a port hears to a sink."""
        self._sinks.append((port, sink))

    def write(self, port: Port, data: bytes) -> None:
        """Let a host send; the bytes leave at the rate of the line, from now on.

        Few programs keep the silence before a request themselves: the slowness of real adapters
        does it for them. So bytes wait for it here, after traffic that is over. Whoever speaks
        while another sends collides, as on a real line.
        """
        self._advance()
        now = self._line.now_ns
        quiet_since = self._line.busy_until_ns
        if quiet_since <= now:
            silence = round(_SILENCE_MARGIN * t3_5_ns(port.settings))
            now = max(now, round(quiet_since) + silence)
        port.write(now, data)
        self._wake.set()

    def configure(self, port: Port, settings: LineSettings) -> None:
        """Change the settings of a port now."""
        if settings != port.settings:
            self._advance()
            port.configure(settings)

    async def run(self) -> None:
        """Run until cancelled."""
        while True:
            self._advance()
            self._wake.clear()
            # Not wait_for: before Python 3.12 it can swallow a cancellation.
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(self._pause_s()):
                    await self._wake.wait()

    def _pause_s(self) -> float:
        now = self.now_ns()
        if self._line.busy_until_ns + _LINGER_NS > now:
            return _TICK_S
        due_s = (self._line.next_event_ns - now) / NS_PER_S
        return min(max(due_s, 0.0), _LONGEST_SLEEP_S)

    def _advance(self) -> None:
        now = max(self.now_ns(), self._line.now_ns)
        for port, sink in self._sinks:
            while chunk := port.next_arrival(now):
                sink(chunk.data)
        self._line.run_until(now)
        # A served bus may run for days.
        if len(self._line.log) > _LONGEST_LOG:
            del self._line.log[: _LONGEST_LOG // 2]
