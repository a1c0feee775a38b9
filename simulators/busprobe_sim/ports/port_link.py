"""What the links to a simulated line have in common, whatever the time they run in."""

from __future__ import annotations

from busprobe.link.base import Framing
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe_sim.line.port import Port


class PortLink:
    """A link over a port of a simulated line; how time passes is left to its children.

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
