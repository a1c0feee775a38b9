"""A serial port of another computer or of a terminal server, by RFC 2217.

How late a byte may be stamped is known even less than for a plain gateway: to the network and the
packing of the server comes its own adapter, for which the 16 ms of a USB adapter are assumed.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from busprobe.link.arrival import USB_LATENCY_NS
from busprobe.link.com_port import ComPortClient, escaped
from busprobe.link.inbox import link_clock_ns
from busprobe.link.line_errors import LineErrors
from busprobe.link.tcp import CONNECT_TIMEOUT_S, TcpLink, connect
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.device_text import visible
from busprobe.model.errors import LinkError
from busprobe.model.line import NS_PER_S, Endpoint, LineSettings

NEGOTIATION_TIMEOUT_S = 3.0


class Rfc2217Link(TcpLink):
    """A remote serial port; made by `open_rfc2217`."""

    def __init__(self, endpoint: Endpoint, settings: LineSettings, delay_ns: int) -> None:
        super().__init__(endpoint, delay_ns + USB_LATENCY_NS)
        self._settings = settings
        self._client = ComPortClient()
        self._heard = asyncio.Event()
        self._line_free_ns = 0

    @property
    def settings(self) -> LineSettings:
        """Line settings in force, as the server has confirmed them."""
        return self._settings

    def line_errors(self) -> LineErrors | None:
        """Line errors told by the server; None unless it has agreed to tell them."""
        self._raise_if_closed()
        return self._client.line_errors

    async def send(self, data: bytes) -> Chunk:
        """Hand bytes to the network; they start on the line after what was sent before."""
        handed = await super().send(escaped(data))
        start = max(handed.t_ns, self._line_free_ns)
        self._line_free_ns = start + self._settings.duration_ns(len(data))
        return Chunk(Direction.SENT, start, bytes(data))

    async def configure(self, settings: LineSettings) -> None:
        """Change the settings of the remote port once everything sent has left.

        Raises:
            LinkError: The server refuses the settings (the old ones are asked for again), does not
                answer, or the connection is lost.
        """
        self._raise_if_closed()
        self._inbox.raise_if_lost()
        still_sending_ns = self._line_free_ns - link_clock_ns()
        if still_sending_ns > 0:
            await asyncio.sleep(still_sending_ns / NS_PER_S)
        try:
            await self._negotiate(settings)
        except LinkError:
            if not self._inbox.is_lost:
                self._client.ask_for(self._settings)
                self._flush()
            raise
        self._settings = settings

    async def start(self) -> None:
        """Agree with the server on a serial port and its settings."""
        host = visible(self._endpoint.target)
        self._client.start()
        self._flush()
        agreed = await self._until(lambda: self._client.accepted is not None)
        if not agreed or not self._client.accepted:
            raise LinkError(
                f"{host} gives no remote serial port on TCP port {self._endpoint.tcp_port}.",
                "Switch RFC 2217 on in the server, or use rtu+tcp:// if it passes bytes as they "
                "are.",
            )
        await self._negotiate(self._settings)
        self._client.ask_for_reports()
        self._flush()

    def data_received(self, data: bytes) -> None:
        """Keep the serial bytes, and answer the server."""
        serial = self._client.feed(data)
        self._flush()
        if serial:
            super().data_received(serial)
        self._heard.set()

    def connection_lost(self, exc: Exception | None) -> None:
        """Tell why nothing more will come."""
        super().connection_lost(exc)
        self._heard.set()

    def _flush(self) -> None:
        if self._client.outgoing and self._transport is not None:
            self._transport.write(bytes(self._client.outgoing))
            self._client.outgoing.clear()

    async def _negotiate(self, settings: LineSettings) -> None:
        host = visible(self._endpoint.target)
        self._client.ask_for(settings)
        self._flush()
        if not await self._until(lambda: self._client.answered):
            raise LinkError(
                f"{host} does not confirm the line settings {settings}.",
                "Restart the server, or set its serial port there and use rtu+tcp://.",
            )
        if self._client.refused:
            raise LinkError(
                f"{host} refuses the line settings {settings}.", "Use other line settings."
            )

    async def _until(self, condition: Callable[[], bool]) -> bool:
        """Wait until the server has said something; False when it does not in time."""
        try:
            async with asyncio.timeout(NEGOTIATION_TIMEOUT_S):
                while not condition():
                    self._inbox.raise_if_lost()
                    self._heard.clear()
                    await self._heard.wait()
        except TimeoutError:
            return False
        return True


async def open_rfc2217(
    endpoint: Endpoint, settings: LineSettings, timeout_s: float = CONNECT_TIMEOUT_S
) -> Rfc2217Link:
    """Open a remote serial port.

    Args:
        endpoint: Host and TCP port of the server.
        settings: Line settings to start with.
        timeout_s: How long to wait for the connection [s].

    Raises:
        LinkError: No connection, no RFC 2217 behind it, or the settings are refused.
    """
    link = await connect(
        endpoint, lambda path_ns: Rfc2217Link(endpoint, settings, path_ns), timeout_s
    )
    try:
        await link.start()
    except BaseException:
        await link.close()
        raise
    return link
