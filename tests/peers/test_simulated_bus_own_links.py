"""Our own links to the served simulated bus: the far ends are pyserial's and the kernel's."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.link.base import Framing
from busprobe.link.opening import open_link
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.wire import mbap, rtu
from tests.peers.simulated_bus_serving import fast_bus, served

SETTINGS = LineSettings(115200)
READ_MARKER = bytes.fromhex("03 9C40 0002")
ANSWER = bytes.fromhex("03 04 5375 6E53")
NS = 1_000_000_000


async def _reads_marker(link_argument: str, settings: LineSettings, wait_s: float) -> bool:
    link = await open_link(parse_link(link_argument), settings)
    try:
        framed = link.framing is Framing.MBAP
        request = mbap.encode(1, 7, READ_MARKER) if framed else rtu.encode(7, READ_MARKER)
        expected = mbap.encode(1, 7, ANSWER) if framed else rtu.encode(7, ANSWER)
        await link.send(request)
        heard = b""
        until = link.now() + round(wait_s * NS)
        while len(heard) < len(expected) and (chunk := await link.receive(until)):
            heard += chunk.data
        return heard == expected
    finally:
        await link.close()


@pytest.mark.parametrize("way", ["pty", "tcp_port", "rtu_tcp_port", "rfc2217_port"])
async def test_marker_through_every_way(way: str, tmp_path: Path) -> None:
    with served(fast_bus(tmp_path), **{way: True if way == "pty" else 0}) as found:
        assert await _reads_marker(found.links[0], SETTINGS, 2.0)


async def test_remote_port_follows_our_settings(tmp_path: Path) -> None:
    with served(fast_bus(tmp_path), rfc2217_port=0) as found:
        even = LineSettings(115200, Parity.EVEN)
        assert not await _reads_marker(found.links[0], even, 0.1)
        assert await _reads_marker(found.links[0], SETTINGS, 2.0)
