"""A link to a simulated line that runs against the wall clock, for demonstrations."""

from __future__ import annotations

import asyncio
import time

from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import InputError
from busprobe.model.line import Endpoint, LineSettings
from busprobe_sim.line.port import Port
from busprobe_sim.ports.port_link import PortLink

# A screen needs no finer time; every chunk carries its own.
_LOOK_EVERY_S = 0.005


class PacedLink(PortLink):
    """A link over a port of a simulated line, in real time or a multiple of it.

    Its clock is that of the line: it runs `speed` times as fast as the wall clock.

    Args:
        port: The port.
        endpoint: What to call it.
        speed: Line seconds per wall second [1].

    Raises:
        InputError: The speed is not positive.
    """

    def __init__(self, port: Port, endpoint: Endpoint | None = None, speed: float = 1.0) -> None:
        if not speed > 0.0:
            raise InputError(f"A speed of {speed} is not possible.", "Give a positive speed.")
        super().__init__(port, endpoint)
        self._speed = speed
        self._wall_ns = time.monotonic_ns()
        self._line_ns = port.now_ns

    def set_speed(self, speed: float) -> None:
        """Let the line run at another speed from now on.

        Args:
            speed: Line seconds per wall second [1].

        Raises:
            InputError: The speed is not positive.
        """
        if not speed > 0.0:
            raise InputError(f"A speed of {speed} is not possible.", "Give a positive speed.")
        self._line_ns, self._wall_ns = self.now(), time.monotonic_ns()
        self._speed = speed

    def now(self) -> int:
        """Time of the line [ns]."""
        passed = (time.monotonic_ns() - self._wall_ns) * self._speed
        return max(self._line_ns + round(passed), self._port.now_ns)

    async def send(self, data: bytes) -> Chunk:
        """Put bytes on the line."""
        self._require_open()
        return Chunk(Direction.SENT, self._port.write(self.now(), data), bytes(data))

    async def receive(self, until_ns: int) -> Chunk | None:
        """Wait until bytes arrive, or until the line's time passes `until_ns`."""
        while True:
            self._require_open()
            now = self.now()
            chunk = self._port.next_arrival(min(now, until_ns))
            if chunk is not None:
                return chunk
            if now >= until_ns:
                return None
            await asyncio.sleep(min(_LOOK_EVERY_S, (until_ns - now) / self._speed / 1e9))

    async def configure(self, settings: LineSettings) -> None:
        """Change the settings of the port, once the line has come to the present."""
        self._require_open()
        self._port.line.run_until(self.now())
        await super().configure(settings)
