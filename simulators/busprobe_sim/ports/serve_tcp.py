"""The simulated bus behind TCP: a Modbus TCP gateway, and a transparent converter.

The gateway follows MODBUS Messaging on TCP/IP V1.0b: one transaction on the line at a time, unit
id to serial address, exception 0B when the target is silent (or answers damaged), 0A for a unit
that cannot be on a line. The converter passes bytes on as they come, without any notion of frames.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable

from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS, NS_PER_S
from busprobe.wire.crc import is_intact, with_crc
from busprobe.wire.mbap import Adu, Decoder, encode
from busprobe.wire.timing import t3_5_ns
from busprobe_sim.line.port import Port
from busprobe_sim.ports.serve_pump import Pump

# How long a gateway waits for the serial side (common practice, no source).
GATEWAY_TIMEOUT_S = 1.0
_PATH_UNAVAILABLE = 0x0A
_TARGET_SILENT = 0x0B
_READ_SIZE = 4096
_ACCEPT_TURNS = 5

Handler = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


class TcpFront:
    """A listening socket whose connections end when it does.

    Args:
        handler: Serves one connection.
    """

    def __init__(self, handler: Handler) -> None:
        self._handler = handler
        self._tasks: set[asyncio.Task[None]] = set()
        self._server: asyncio.Server | None = None

    async def open(self, host: str, port: int) -> int:
        """Listen; port 0 takes any free one. Returns the port.

        Raises:
            OSError: The port is not free.
        """
        self._server = await asyncio.start_server(self._connected, host, port)
        number: int = self._server.sockets[0].getsockname()[1]
        return number

    async def _connected(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        try:
            await self._handler(reader, writer)
        except (ConnectionError, asyncio.CancelledError):
            # The client has gone, or we are closing: either way this connection is over.
            pass
        finally:
            self._tasks.discard(task)
            writer.close()
            with contextlib.suppress(ConnectionError):
                await writer.wait_closed()

    async def close(self) -> None:
        """Stop listening and end all connections."""
        if self._server is None:
            return
        self._server.close()
        # A connection that was accepted just now needs a few turns until its task exists.
        for _ in range(_ACCEPT_TURNS):
            await asyncio.sleep(0)
        tasks = list(self._tasks)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await self._server.wait_closed()


class Gateway:
    """A Modbus TCP gateway on a port of the line."""

    def __init__(self, pump: Pump, port: Port, timeout_s: float = GATEWAY_TIMEOUT_S) -> None:
        self._pump = pump
        self._port = port
        self._timeout_s = timeout_s
        self._turn = asyncio.Lock()
        self._heard = bytearray()
        self._news = asyncio.Event()
        pump.attach(port, self._hear)

    def _hear(self, data: bytes) -> None:
        self._heard += data
        self._news.set()

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        decoder = Decoder()
        while data := await reader.read(_READ_SIZE):
            for piece in decoder.feed(data):
                if isinstance(piece, Adu):
                    pdu = await self._transact(piece.unit, piece.pdu)
                    writer.write(encode(piece.transaction, piece.unit, pdu))
            await writer.drain()

    async def _transact(self, unit: int, pdu: bytes) -> bytes:
        if not FIRST_ADDRESS <= unit <= LAST_ADDRESS:
            return bytes((pdu[0] | 0x80, _PATH_UNAVAILABLE))
        async with self._turn:
            await asyncio.sleep(t3_5_ns(self._port.settings) / NS_PER_S)
            self._heard.clear()
            request = with_crc(bytes((unit,)) + pdu)
            self._pump.write(self._port, request)
            sending_s = self._port.settings.duration_ns(len(request)) / NS_PER_S
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(sending_s + self._timeout_s):
                    return await self._answer(request)
            return bytes((pdu[0] | 0x80, _TARGET_SILENT))

    async def _answer(self, request: bytes) -> bytes:
        """Wait for a whole answer from the unit asked."""
        while True:
            self._news.clear()
            heard = bytes(self._heard)
            # An adapter with an echo hands the request back first.
            heard = heard.removeprefix(request)
            mine = len(heard) >= 4 and heard[0] == request[0] and heard[1] & 0x7F == request[1]
            if mine and is_intact(heard):
                return heard[1:-2]
            await self._news.wait()


class Converter:
    """A transparent converter: what the line says goes to every client, and the other way."""

    def __init__(self, pump: Pump, port: Port) -> None:
        self._pump = pump
        self._port = port
        self._clients: set[asyncio.StreamWriter] = set()
        pump.attach(port, self._hear)

    def _hear(self, data: bytes) -> None:
        for client in self._clients:
            client.write(data)

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        self._clients.add(writer)
        try:
            while data := await reader.read(_READ_SIZE):
                self._pump.write(self._port, data)
        finally:
            self._clients.discard(writer)
