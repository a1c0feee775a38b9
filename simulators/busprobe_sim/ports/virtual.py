"""A link to a simulated line in virtual time: nothing ever waits."""

from __future__ import annotations

from collections.abc import Coroutine
from typing import Any, TypeVar

from busprobe.link.base import Framing
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe_sim.line.port import Port

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


class VirtualLink:
    """A link over a port of a simulated line.

    Args:
        port: The port.
        endpoint: What to call it.
    """

    def __init__(self, port: Port, endpoint: Endpoint | None = None) -> None:
        self._port = port
        self._endpoint = endpoint or Endpoint("sim:line", LinkKind.SIMULATED, "line")
        self._closed = False

    @property
    def port(self) -> Port:
        """The port."""
        return self._port

    @property
    def endpoint(self) -> Endpoint:
        """Where this link leads."""
        return self._endpoint

    @property
    def framing(self) -> Framing:
        """A serial line carries RTU frames."""
        return Framing.RTU

    @property
    def settings(self) -> LineSettings:
        """Line settings in force."""
        return self._port.settings

    @property
    def arrival_uncertainty_ns(self) -> int:
        """How late a received byte may be stamped at worst [ns]."""
        return self._port.uncertainty_ns

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

    async def configure(self, settings: LineSettings) -> None:
        """Change the settings of the port."""
        self._require_open()
        self._port.configure(settings)

    async def close(self) -> None:
        """Release the link."""
        self._closed = True

    def _require_open(self) -> None:
        if self._closed:
            raise LinkError("The simulated link is closed.", "Open it again.")
