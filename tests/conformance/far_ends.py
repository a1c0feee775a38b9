"""The other ends of links: what a test does at the far side of a pty or a socket."""

from __future__ import annotations

import asyncio
import contextlib
import os
import pty
import tty
from collections.abc import Awaitable, Callable
from types import SimpleNamespace
from typing import Protocol

import serial.rfc2217

from busprobe.link.base import Link
from busprobe.link.opening import open_link
from busprobe.model.line import LineSettings, parse_link

# Far beyond what a slow computer needs; no test waits for it unless something is broken.
PATIENCE_S = 20.0


class FarEnd(Protocol):
    """What a test can do at the other end of a link."""

    async def write(self, data: bytes) -> None:
        """Let bytes travel towards the link under test."""

    async def read(self, count: int) -> bytes:
        """Wait for so many bytes that the link under test has sent."""

    async def vanish(self) -> None:
        """Go away without a word, as a pulled plug does."""

    async def close(self) -> None:
        """Release everything; may be called after `vanish`."""


Pair = tuple[Link, FarEnd]
MakePair = Callable[[], Awaitable[Pair]]


class PtyEnd:
    """The master side of a pseudo terminal."""

    def __init__(self) -> None:
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        self.name = os.ttyname(slave)
        os.close(slave)
        os.set_blocking(self._master, False)
        self._buffer = bytearray()
        self._gone = False

    async def _ready(self, *, to_write: bool) -> None:
        loop = asyncio.get_running_loop()
        ready = loop.create_future()
        add, remove = (
            (loop.add_writer, loop.remove_writer)
            if to_write
            else (loop.add_reader, loop.remove_reader)
        )
        add(self._master, lambda: None if ready.done() else ready.set_result(None))
        try:
            async with asyncio.timeout(PATIENCE_S):
                await ready
        finally:
            remove(self._master)

    async def write(self, data: bytes) -> None:
        while data:
            try:
                data = data[os.write(self._master, data) :]
            except BlockingIOError:
                await self._ready(to_write=True)

    async def read(self, count: int) -> bytes:
        while len(self._buffer) < count:
            try:
                self._buffer += os.read(self._master, 4096)
            except BlockingIOError:
                await self._ready(to_write=False)
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data

    async def vanish(self) -> None:
        if not self._gone:
            self._gone = True
            os.close(self._master)

    async def close(self) -> None:
        await self.vanish()


class SocketEnd:
    """A TCP server that accepts one client."""

    def __init__(self) -> None:
        self._accepted = asyncio.Event()
        self._reader: asyncio.StreamReader | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._server: asyncio.Server | None = None

    async def listen(self) -> int:
        """Start, and tell the port."""
        self._server = await asyncio.start_server(self._accept, "127.0.0.1", 0)
        port: int = self._server.sockets[0].getsockname()[1]
        return port

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader, self._writer = reader, writer
        self._accepted.set()

    async def _client(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        async with asyncio.timeout(PATIENCE_S):
            await self._accepted.wait()
        assert self._reader is not None
        assert self._writer is not None
        return self._reader, self._writer

    async def write(self, data: bytes) -> None:
        _, writer = await self._client()
        writer.write(data)
        await writer.drain()

    async def read(self, count: int) -> bytes:
        reader, _ = await self._client()
        async with asyncio.timeout(PATIENCE_S):
            return await reader.readexactly(count)

    async def vanish(self) -> None:
        _, writer = await self._client()
        writer.transport.abort()

    async def finish(self) -> None:
        """Send what is pending and close the connection in order."""
        _, writer = await self._client()
        writer.close()
        await writer.wait_closed()

    async def close(self) -> None:
        if self._writer is not None:
            self._writer.transport.abort()
            with contextlib.suppress(OSError):
                await self._writer.wait_closed()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()


class ComPortEnd(SocketEnd):
    """A server of a remote serial port: the RFC 2217 server part of pyserial 3.5, not ours.

    Attributes:
        port: The settings that the client has asked for, in pyserial's notation.
    """

    def __init__(self) -> None:
        super().__init__()
        self.port = SimpleNamespace(
            baudrate=300,
            bytesize=7,
            parity="O",
            stopbits=1,
            cts=True,
            dsr=True,
            ri=False,
            cd=True,
            xonxoff=False,
            rtscts=False,
            dtr=True,
            rts=True,
            reset_input_buffer=lambda: None,
            reset_output_buffer=lambda: None,
        )
        self._manager: serial.rfc2217.PortManager | None = None
        self._serial = asyncio.StreamReader()
        self._serving: asyncio.Task[None] | None = None

    async def _accept(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._manager = serial.rfc2217.PortManager(self.port, writer)
        self._serving = asyncio.current_task()
        await super()._accept(reader, writer)
        with contextlib.suppress(OSError):
            while data := await reader.read(4096):
                self._serial.feed_data(b"".join(self._manager.filter(data)))

    async def write(self, data: bytes) -> None:
        await self._client()
        assert self._manager is not None
        await super().write(b"".join(self._manager.escape(data)))

    async def read(self, count: int) -> bytes:
        async with asyncio.timeout(PATIENCE_S):
            return await self._serial.readexactly(count)

    async def close(self) -> None:
        await super().close()
        if self._serving is not None:
            await asyncio.wait([self._serving])


async def serial_pair(settings: LineSettings | None = None) -> tuple[Link, PtyEnd]:
    """A serial link on a pseudo terminal."""
    far = PtyEnd()
    return await open_link(parse_link(far.name), settings), far


async def tcp_pair(scheme: str = "tcp") -> tuple[Link, SocketEnd]:
    """A Modbus TCP link to a server that does nothing by itself."""
    far = SocketEnd()
    port = await far.listen()
    return await open_link(parse_link(f"{scheme}://127.0.0.1:{port}"), None), far


async def rtu_over_tcp_pair() -> tuple[Link, SocketEnd]:
    """An RTU-over-TCP link to a server that does nothing by itself."""
    return await tcp_pair("rtu+tcp")


async def rfc2217_pair(settings: LineSettings | None = None) -> tuple[Link, ComPortEnd]:
    """A remote serial port."""
    far = ComPortEnd()
    port = await far.listen()
    return await open_link(parse_link(f"rfc2217://127.0.0.1:{port}"), settings), far
