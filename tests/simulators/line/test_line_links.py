"""Links to a simulated line, in virtual time and against the wall clock."""

from __future__ import annotations

import asyncio
from collections.abc import Generator

import pytest

from busprobe.link.base import Link
from busprobe.model.errors import InputError, LinkError
from busprobe.model.line import LineSettings
from busprobe_sim.ports.paced import PacedLink
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from tests.simulators.line.line_bench import MS, answer, make, read, station


async def sweep(link: Link, last: int = 247, listen_ms: int = 50) -> list[int]:
    """Ask every address once."""
    found = []
    for address in range(1, last + 1):
        sent = await link.send(read(address, 4))
        assert link.settings is not None
        end = sent.t_ns + link.settings.duration_ns(8)
        if await link.receive(end + listen_ms * MS):
            found.append(address)
            await link.receive(link.now() + 4 * MS)
    return found


def test_a_whole_sweep_runs_without_an_event_loop() -> None:
    _, port, _ = make(station(1, 20.0), station(2, 20.0), station(247, 20.0))
    link = VirtualLink(port)
    assert run_virtual(sweep(link)) == [1, 2, 247]
    # 244 absent and 3 present addresses: requests of 8, replies of 13 characters.
    bit = 1e9 / 9600
    bound = 244 * (80 * bit + 50 * MS) + 3 * (80 * bit + 20 * MS + 130 * bit + 4 * MS)
    assert bound <= link.now() <= 1.01 * bound


def test_run_virtual_refuses_to_wait_for_the_real_world() -> None:
    class Outside:
        def __await__(self) -> Generator[None, None, None]:
            yield None

    async def waits() -> None:
        await Outside()

    with pytest.raises(RuntimeError, match="suspended"):
        run_virtual(waits())


async def test_paced_line_keeps_to_the_wall_clock() -> None:
    _, port, _ = make(station(1, 20.0), station(2, 20.0))
    link = PacedLink(port, speed=20.0)
    assert isinstance(link, Link)
    loop = asyncio.get_running_loop()
    wall, line = loop.time(), link.now()
    assert await sweep(link, last=3) == [1, 2]
    passed_s, line_s = loop.time() - wall, (link.now() - line) / 1e9
    # Three exchanges take 0.13 s of line time or more. The two clocks are read one after the other,
    # which a busy computer may do 30 ms apart.
    assert line_s >= 0.13
    assert line_s == pytest.approx(20.0 * passed_s, rel=0.05, abs=0.6)


async def test_paced_line_changes_settings_and_closes() -> None:
    _, port, (device,) = make(station(1, 5.0))
    link = PacedLink(port, speed=50.0)
    fast = LineSettings(19200)
    device.configure(fast)
    await link.send(read(1))
    assert await link.receive(link.now() + 100 * MS) is None
    await link.configure(fast)
    assert link.settings == fast
    await link.send(read(1))
    chunk = await link.receive(link.now() + 5000 * MS)
    assert chunk is not None
    assert chunk.data == answer(1)
    await link.close()
    await link.close()
    with pytest.raises(LinkError):
        await link.send(b"\x01")


async def test_closing_wakes_who_waits_on_a_paced_line() -> None:
    _, port, _ = make(station(1))
    link = PacedLink(port)
    waiting = asyncio.ensure_future(link.receive(link.now() + 60_000 * MS))
    await asyncio.wait([waiting], timeout=0)
    await link.close()
    with pytest.raises(LinkError):
        await waiting


def test_a_speed_must_be_positive() -> None:
    _, port, _ = make()
    with pytest.raises(InputError):
        PacedLink(port, speed=0.0)
