"""A link to a simulated line in virtual time: nothing ever waits."""

from __future__ import annotations

from collections.abc import Coroutine
from typing import Any, TypeVar

from busprobe.model.chunk import Chunk, Direction
from busprobe_sim.ports.port_link import PortLink

T = TypeVar("T")


def run_virtual(coroutine: Coroutine[Any, Any, T]) -> T:
    """Run a coroutine that only awaits a virtual link, without an event loop.

    Raises:
        RuntimeError: It suspended: something in it waits for the real world.
    """
    try:
        coroutine.send(None)
    except StopIteration as finished:
        result: T = finished.value
        return result
    coroutine.close()
    raise RuntimeError("The coroutine suspended; only a virtual link may be awaited here.")


class VirtualLink(PortLink):
    """A link over a port of a simulated line in virtual time."""

    def now(self) -> int:
        """Virtual time [ns]."""
        return self._port.now_ns

    async def send(self, data: bytes) -> Chunk:
        """Put bytes on the line; returns at once, in virtual time too."""
        self._require_open()
        start = self._port.write(self._port.now_ns, data)
        return Chunk(Direction.SENT, start, bytes(data))

    async def receive(self, until_ns: int) -> Chunk | None:
        """Let virtual time pass until bytes arrive, or to `until_ns`."""
        self._require_open()
        return self._port.next_arrival(until_ns)
