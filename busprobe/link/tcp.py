"""A TCP connection: Modbus TCP, or RTU frames through a gateway that hides the serial line.

What is stamped is the moment at which the event loop read the bytes from the socket. How late that
is compared with the wire behind the host is not known; what can be said is

- the time the network takes: the time the connection took to be made, one round trip (a longer time
  than the retransmission timer of RFC 6298, 1 s, is a lost packet rather than a path and is cut);
- the time a gateway collects bytes before it sends a packet: 20 ms assumed for RTU over TCP
  (common practice, no source);
- the time this computer takes: 4 ms, as for a serial port.

Their sum is `arrival_uncertainty_ns`. A host that accepts and never answers is silence, no error.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import socket
from collections.abc import Callable
from typing import TypeVar, cast

from busprobe.link.arrival import MS, SYSTEM_NS
from busprobe.link.base import Framing, closed_error
from busprobe.link.inbox import Inbox, link_clock_ns
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.device_text import visible
from busprobe.model.errors import LinkError
from busprobe.model.line import NS_PER_S, Endpoint, LineSettings, LinkKind

CONNECT_TIMEOUT_S = 5.0
GATEWAY_PACKING_NS = 20 * MS
# RFC 6298, section 2.1: until a round trip was measured the retransmission timer is 1 s.
_LONGEST_PATH_NS = NS_PER_S
# What may lie unread before the host is made to wait: nothing is dropped, TCP holds it back.
_MOST_UNREAD = 1 << 20
# A host that takes no bytes for so long is as good as gone.
_MOST_UNSENT = 1 << 16

_FRAMING = {
    LinkKind.TCP: Framing.MBAP,
    LinkKind.RTU_OVER_TCP: Framing.RTU,
    LinkKind.RFC2217: Framing.RTU,
}


def connecting_error(endpoint: Endpoint, error: BaseException) -> LinkError:
    """Translate what connecting to a host raised."""
    host, port = visible(endpoint.target), endpoint.tcp_port
    number = error.errno if isinstance(error, OSError) else None
    if isinstance(error, socket.gaierror):
        return LinkError(
            f"The name '{host}' is not found on this network.",
            "Check the spelling, or give the IP address.",
        )
    if isinstance(error, TimeoutError) or number == errno.ETIMEDOUT:
        return LinkError(
            f"{host} does not answer on TCP port {port}.",
            "Check the address, that the device is powered and that you are in its network.",
        )
    if isinstance(error, ConnectionRefusedError):
        return LinkError(
            f"{host} refuses connections on TCP port {port}.",
            "Check the port, that Modbus is enabled in the device, and that no other client "
            "holds its only connection.",
        )
    if number in (errno.ENETUNREACH, errno.EHOSTUNREACH, errno.EHOSTDOWN, errno.EADDRNOTAVAIL):
        return LinkError(
            f"{host} cannot be reached from this network.",
            "Check the network cable or the radio, and that your address is in the same network.",
        )
    if number in (errno.EACCES, errno.EPERM):
        return LinkError(
            f"This computer does not allow a connection to {host}, TCP port {port}.",
            "Allow it in the firewall of this computer.",
        )
    reason = os.strerror(number) if number else visible(str(error))
    return LinkError(
        f"No connection to {host}, TCP port {port}: {reason}.", "Check the address and the port."
    )


def disconnecting_error(endpoint: Endpoint, error: BaseException | None) -> LinkError:
    """Say how a connection ended; None means that the host closed it in order."""
    host = visible(endpoint.target)
    if error is None:
        # MODBUS Messaging on TCP/IP V1.0b, section 4.2.1.2: a server at its limit closes the oldest
        # connection.
        return LinkError(
            f"{host} has closed the connection.",
            "Connect again; if it closes again, stop other clients: devices allow few of them.",
        )
    if isinstance(error, ConnectionResetError | BrokenPipeError):
        return LinkError(
            f"{host} has reset the connection.",
            "The device may have restarted or dropped us for another client; connect again.",
        )
    number = error.errno if isinstance(error, OSError) else None
    reason = os.strerror(number) if number else visible(str(error))
    return LinkError(
        f"The connection to {host} was lost: {reason}.",
        "Check the network, then connect again.",
    )


class TcpLink(asyncio.Protocol):
    """A connection to a host; made by `open_tcp`.

    Args:
        endpoint: Where it leads.
        delay_ns: How long bytes may take from the host to here [ns].
    """

    def __init__(self, endpoint: Endpoint, delay_ns: int) -> None:
        self._endpoint = endpoint
        self._framing = _FRAMING[endpoint.kind]
        self._inbox = Inbox()
        self._transport: asyncio.Transport | None = None
        self._gone = asyncio.Event()
        self._closed = False
        self._paused = False
        self._unread_bytes = 0
        packing_ns = GATEWAY_PACKING_NS if self._framing is Framing.RTU else 0
        self._uncertainty_ns = SYSTEM_NS + packing_ns + delay_ns

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
        """None: a TCP connection has no line settings, or hides them."""
        return None

    @property
    def arrival_uncertainty_ns(self) -> int:
        """How late a received byte may be stamped [ns]; see the head of this module."""
        return self._uncertainty_ns

    def now(self) -> int:
        """The link's clock [ns]."""
        return link_clock_ns()

    async def send(self, data: bytes) -> Chunk:
        """Hand bytes to the network."""
        self._raise_if_closed()
        self._inbox.raise_if_lost()
        assert self._transport is not None
        start = link_clock_ns()
        self._transport.write(data)
        if self._transport.get_write_buffer_size() > _MOST_UNSENT:
            self._inbox.lose(
                LinkError(
                    f"{visible(self._endpoint.target)} takes no more bytes.",
                    "Check the device and the network, then connect again.",
                )
            )
            self._transport.abort()
            self._inbox.raise_if_lost()
        return Chunk(Direction.SENT, start, bytes(data))

    async def receive(self, until_ns: int) -> Chunk | None:
        """Wait for the next chunk, no longer than `until_ns`."""
        self._raise_if_closed()
        chunk = await self._inbox.take(until_ns)
        if chunk is not None:
            self._unread_bytes -= len(chunk.data)
        if self._paused and self._unread_bytes < _MOST_UNREAD // 2:
            self._paused = False
            if self._transport is not None and not self._transport.is_closing():
                self._transport.resume_reading()
        return chunk

    async def configure(self, settings: LineSettings) -> None:
        """Refuse: the line behind a host is set at the host."""
        self._raise_if_closed()
        raise LinkError(
            f"The line settings behind {visible(self._endpoint.target)} cannot be changed from "
            "here.",
            "Set them at the gateway or device itself.",
        )

    async def close(self) -> None:
        """Close the connection at once; unsent bytes are given up."""
        if self._closed:
            return
        self._closed = True
        self._inbox.lose(closed_error(self._endpoint.argument))
        if self._transport is not None:
            self._transport.abort()
            await self._gone.wait()

    def _raise_if_closed(self) -> None:
        if self._closed:
            raise closed_error(self._endpoint.argument)

    # Called by the event loop.

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        self._transport = cast(asyncio.Transport, transport)

    def data_received(self, data: bytes) -> None:
        """Stamp and keep what was read."""
        self._inbox.put(Chunk(Direction.RECEIVED, link_clock_ns(), data, self._uncertainty_ns))
        self._unread_bytes += len(data)
        if not self._paused and self._unread_bytes > _MOST_UNREAD:
            assert self._transport is not None
            self._paused = True
            self._transport.pause_reading()

    def connection_lost(self, exc: Exception | None) -> None:
        """Tell why nothing more will come."""
        self._inbox.lose(disconnecting_error(self._endpoint, exc))
        self._gone.set()


LinkT = TypeVar("LinkT", bound=TcpLink)


async def _connect(endpoint: Endpoint, timeout_s: float) -> tuple[socket.socket, int]:
    """Connect to the first address of a host that accepts.

    Returns:
        The socket, and the time the last step of connecting took [ns].
    """
    loop = asyncio.get_running_loop()
    async with asyncio.timeout(timeout_s):
        found = await loop.getaddrinfo(endpoint.target, endpoint.tcp_port, type=socket.SOCK_STREAM)
    failure: OSError = ConnectionRefusedError()
    for family, kind, protocol, _, address in found:
        connection = socket.socket(family, kind, protocol)
        try:
            connection.setblocking(False)
            start = link_clock_ns()
            async with asyncio.timeout(timeout_s / len(found)):
                await loop.sock_connect(connection, address)
            with contextlib.suppress(OSError):
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                connection.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
            return connection, link_clock_ns() - start
        except OSError as error:  # includes TimeoutError
            connection.close()
            failure = error
        except BaseException:
            connection.close()
            raise
    raise failure


async def connect(
    endpoint: Endpoint, make_link: Callable[[int], LinkT], timeout_s: float = CONNECT_TIMEOUT_S
) -> LinkT:
    """Connect to a host and hand the connection to a new link.

    Args:
        endpoint: Host and TCP port.
        make_link: Makes the link, given the round trip of the network [ns].
        timeout_s: How long to wait for the name, and again for the connection [s].

    Raises:
        LinkError: The host has no such name, cannot be reached, refuses or does not answer.
    """
    try:
        connection, took_ns = await _connect(endpoint, timeout_s)
    except OSError as error:
        raise connecting_error(endpoint, error) from error
    loop = asyncio.get_running_loop()
    try:
        path_ns = min(took_ns, _LONGEST_PATH_NS)
        _, link = await loop.create_connection(lambda: make_link(path_ns), sock=connection)
    except OSError as error:
        connection.close()
        raise disconnecting_error(endpoint, error) from error
    return link


async def open_tcp(endpoint: Endpoint, timeout_s: float = CONNECT_TIMEOUT_S) -> TcpLink:
    """Connect to a Modbus TCP device or an RTU-over-TCP gateway; see `connect`."""
    return await connect(endpoint, lambda path_ns: TcpLink(endpoint, path_ns), timeout_s)
