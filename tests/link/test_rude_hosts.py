"""Hosts that do what no host should: no link crashes, and every byte is kept."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from busprobe.link import rfc2217
from busprobe.link.base import Link
from busprobe.link.opening import open_link
from busprobe.link.tcp import (
    GATEWAY_PACKING_NS,
    TcpLink,
    connecting_error,
    disconnecting_error,
    open_tcp,
)
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, parse_link
from busprobe.wire import mbap
from tests.conformance.far_ends import SocketEnd, rfc2217_pair, rtu_over_tcp_pair, tcp_pair
from tests.conformance.link_kit import MS, PATIENCE_NS, heard, joined

ENDPOINT = parse_link("tcp://meter.example:1502")


@asynccontextmanager
async def host(scheme: str = "tcp") -> AsyncIterator[tuple[Link, SocketEnd]]:
    link, far = await tcp_pair(scheme)
    try:
        yield link, far
    finally:
        await link.close()
        await far.close()


async def test_a_host_that_never_answers_is_silent_not_lost() -> None:
    async with host() as (link, far):
        await link.send(mbap.encode(1, 1, b"\x03\x00\x00\x00\x01"))
        assert len(await far.read(12)) == 12
        for _ in range(3):
            assert await link.receive(link.now() + 2 * MS) is None
        await far.write(b"at last")
        assert joined(await heard(link, 7)) == b"at last"


@pytest.mark.parametrize(
    "answer",
    [
        bytes.fromhex("DEADBEEF") * 500,
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        mbap.encode(0x4711, 1, b"\x03\x02\x00\x01"),
        bytes.fromhex("0001 0000 FFFF 01 03 02 00 01"),
        bytes.fromhex("0001 0001 0005 01 03 02 00 01"),
        bytes.fromhex("0001 0000 0000"),
    ],
    ids=["garbage", "web server", "wrong transaction", "oversized", "protocol 1", "empty"],
)
async def test_nonsense_is_kept_byte_for_byte(answer: bytes) -> None:
    async with host() as (link, far):
        await link.send(mbap.encode(1, 1, b"\x03\x00\x00\x00\x01"))
        await far.write(answer)
        received = joined(await heard(link, len(answer)))
        assert received == answer
        decoder = mbap.Decoder()
        pieces = (*decoder.feed(received), *decoder.flush())
        kept = b"".join(p.raw if isinstance(p, mbap.Adu) else p.data for p in pieces)
        assert kept == answer


async def test_one_byte_at_a_time_is_one_chunk_at_a_time() -> None:
    answer = mbap.encode(1, 1, b"\x03\x02\x12\x34")
    async with host() as (link, far):
        times = []
        for byte in answer:
            await far.write(bytes((byte,)))
            (chunk,) = await heard(link, 1)
            assert chunk.data == bytes((byte,))
            times.append(chunk.t_ns)
        assert times == sorted(times)


async def test_a_host_that_closes_in_the_middle_of_a_frame_leaves_the_half() -> None:
    async with host() as (link, far):
        await far.write(mbap.encode(1, 1, b"\x03\x02\x12\x34")[:8])
        await far.finish()
        assert joined(await heard(link, 8)) == mbap.encode(1, 1, b"\x03\x02\x12\x34")[:8]
        with pytest.raises(LinkError, match="has closed the connection"):
            await link.receive(link.now() + PATIENCE_NS)


async def test_a_host_that_resets_is_told_from_one_that_closes() -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    link = await open_tcp(parse_link(f"tcp://127.0.0.1:{listener.getsockname()[1]}"))
    accepted, _ = listener.accept()
    # Linger 0: closing sends a reset (RFC 9293, section 3.10.7, ABORT).
    accepted.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
    accepted.close()
    with pytest.raises(LinkError, match="has reset the connection"):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()
    listener.close()


async def test_a_flood_is_held_back_and_nothing_of_it_is_lost() -> None:
    flood = os.urandom(1 << 16) * 80  # 5 MiB
    async with host() as (link, far):
        writing = asyncio.ensure_future(far.write(flood))
        assert isinstance(link, TcpLink)
        while not link._paused:
            await asyncio.wait([writing], timeout=0.001)
        assert link._unread_bytes < 2 << 20
        assert joined(await heard(link, len(flood))) == flood
        await writing


async def test_a_host_that_reads_nothing_is_given_up() -> None:
    listener = socket.create_server(("127.0.0.1", 0))
    link = await open_tcp(parse_link(f"tcp://127.0.0.1:{listener.getsockname()[1]}"))

    async def insist() -> None:
        for _ in range(10_000):
            await link.send(bytes(65_536))

    with pytest.raises(LinkError, match="takes no more bytes"):
        await insist()
    await link.close()
    listener.close()


async def test_nobody_listening_is_a_refusal() -> None:
    unused = socket.create_server(("127.0.0.1", 0))
    port = unused.getsockname()[1]
    unused.close()
    for scheme in ("tcp", "rtu+tcp", "rfc2217"):
        with pytest.raises(LinkError, match=f"refuses connections on TCP port {port}"):
            await open_link(parse_link(f"{scheme}://127.0.0.1:{port}"), None)


async def test_a_connection_that_is_never_made_ends_in_time() -> None:
    # A full backlog: Linux drops further connection requests.
    listener = socket.socket()
    listener.bind(("127.0.0.1", 0))
    listener.listen(0)
    address = listener.getsockname()
    waiting = []
    try:
        for _ in range(4):
            one = socket.socket()
            one.setblocking(False)
            one.connect_ex(address)
            waiting.append(one)
        with pytest.raises(LinkError, match="does not answer on TCP port"):
            await open_tcp(parse_link(f"tcp://127.0.0.1:{address[1]}"), timeout_s=0.05)
    finally:
        for one in (*waiting, listener):
            one.close()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (socket.gaierror(socket.EAI_NONAME, "Name or service not known"), "is not found"),
        (TimeoutError(), "does not answer"),
        (OSError(110, "Connection timed out"), "does not answer"),
        (ConnectionRefusedError(111, "refused"), "refuses connections"),
        (OSError(101, "Network is unreachable"), "cannot be reached"),
        (OSError(113, "No route to host"), "cannot be reached"),
        (PermissionError(13, "Permission denied"), "does not allow"),
        (OSError(24, "Too many open files"), "Too many open files"),
    ],
)
def test_each_failure_to_connect_has_its_sentence(error: Exception, words: str) -> None:
    told = connecting_error(ENDPOINT, error)
    assert words in told.cause
    assert "meter.example" in told.cause
    assert told.next_step.endswith(".")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (None, "has closed the connection"),
        (ConnectionResetError(104, "reset"), "has reset the connection"),
        (BrokenPipeError(32, "broken"), "has reset the connection"),
        (OSError(113, "No route to host"), "No route to host"),
    ],
)
def test_each_loss_has_its_sentence(error: Exception | None, words: str) -> None:
    assert words in disconnecting_error(ENDPOINT, error).cause


async def test_small_frames_are_not_held_back() -> None:
    async with host() as (link, _):
        assert isinstance(link, TcpLink)
        assert link._transport is not None
        connection = link._transport.get_extra_info("socket")
        # MODBUS Messaging on TCP/IP V1.0b, section 4.3.2.
        assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        assert connection.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE)


async def test_a_gateway_is_taken_for_later_than_a_device() -> None:
    plain, one = await tcp_pair()
    gateway, other = await rtu_over_tcp_pair()
    # Each has its own round trip, which over the loopback is far below the packing time.
    assert gateway.arrival_uncertainty_ns >= GATEWAY_PACKING_NS + 4 * MS
    assert plain.arrival_uncertainty_ns >= 4 * MS
    for closing in (plain, gateway, one, other):
        await closing.close()


async def test_a_server_without_remote_serial_port_is_told_in_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(rfc2217, "NEGOTIATION_TIMEOUT_S", 0.05)
    far = SocketEnd()
    port = await far.listen()
    with pytest.raises(LinkError, match="gives no remote serial port"):
        await open_link(parse_link(f"rfc2217://127.0.0.1:{port}"), None)
    await far.close()


async def test_a_remote_port_that_closes_still_gives_what_it_sent() -> None:
    link, far = await rfc2217_pair()
    await far.write(bytes(range(250, 256)) * 50)
    await far.finish()
    assert joined(await heard(link, 300)) == bytes(range(250, 256)) * 50
    # Reset rather than closed where the server has not read the client's last wishes.
    with pytest.raises(LinkError, match=r"has (closed|reset) the connection"):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()
    await far.close()


async def test_the_settings_reach_the_remote_port() -> None:
    from busprobe.model.line import Parity

    link, far = await rfc2217_pair(LineSettings(19200, Parity.EVEN, 2))
    assert (far.port.baudrate, far.port.bytesize) == (19200, 8)
    assert (far.port.parity, far.port.stopbits) == ("E", 2)
    await link.configure(LineSettings(38400, Parity.ODD, 1))
    assert (far.port.baudrate, far.port.parity, far.port.stopbits) == (38400, "O", 1)
    await link.close()
    await far.close()


async def test_a_remote_port_that_refuses_keeps_its_settings(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    class Stubborn:
        """A port that cannot do more than 9600 Bd, as pyserial reports it to its server part."""

        def __init__(self) -> None:
            self._baud = 9600

        @property
        def baudrate(self) -> int:
            return self._baud

        @baudrate.setter
        def baudrate(self, baud: int) -> None:
            if baud > 9600:
                raise ValueError(f"Invalid baud rate: {baud}")
            self._baud = baud

    link, far = await rfc2217_pair(LineSettings(9600))
    stubborn = Stubborn()
    known = dict(vars(far.port))
    known.pop("baudrate")
    for name, value in known.items():
        setattr(stubborn, name, value)
    assert far._manager is not None
    far._manager.serial = stubborn
    with pytest.raises(LinkError, match="refuses the line settings 19200 8N1"):
        await link.configure(LineSettings(19200))
    assert link.settings == LineSettings(9600)
    await far.write(b"still here")
    assert joined(await heard(link, 10)) == b"still here"
    await link.close()
    await far.close()
