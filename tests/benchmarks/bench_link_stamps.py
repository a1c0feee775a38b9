"""How late a serial link stamps bytes, and what a round trip costs, on this computer.

Run: python tests/benchmarks/bench_link_stamps.py

A thread writes a frame of 9 bytes into a pseudo terminal every 20 ms and notes when; the link
stamps it. Once with an idle event loop, once with one that computes for 30 ms of every 60, as a
busy user interface does. The figures stand behind the system's share in `busprobe.link.arrival`.
"""

from __future__ import annotations

import asyncio
import os
import pty
import threading
import time
import tty

from busprobe.link.base import Link
from busprobe.link.opening import open_link
from busprobe.model.line import parse_link

FRAMES = 300
TRIPS = 1000
PATIENCE_NS = 10_000_000_000


def percentiles(values: list[float]) -> str:
    """Median, 95 % and worst."""
    ordered = sorted(values)
    picked = (ordered[len(ordered) // 2], ordered[len(ordered) * 95 // 100], ordered[-1])
    return "  ".join(f"{value:8.3f}" for value in picked)


async def take(link: Link, count: int) -> int:
    """Receive so many bytes; give the stamp of the last."""
    while True:
        chunk = await link.receive(link.now() + PATIENCE_NS)
        assert chunk is not None
        count -= len(chunk.data)
        if count <= 0:
            return chunk.t_ns


async def lateness_ms(link: Link, master: int, *, busy: bool) -> list[float]:
    """Stamp minus time of writing [ms]."""
    written: list[int] = []

    def write() -> None:
        for _ in range(FRAMES):
            time.sleep(0.02)  # noqa: TID251 - the far end paces itself
            written.append(time.perf_counter_ns())
            os.write(master, bytes(9))

    async def compute() -> None:
        while True:
            end = time.perf_counter() + 0.03
            while time.perf_counter() < end:
                sum(range(100))
            await asyncio.sleep(0.03)  # noqa: TID251 - a user interface that rests

    load = asyncio.ensure_future(compute()) if busy else None
    thread = threading.Thread(target=write)
    thread.start()
    stamps = [await take(link, 9) for _ in range(FRAMES)]
    thread.join()
    if load is not None:
        load.cancel()
    return [(stamp - at) / 1e6 for stamp, at in zip(stamps, written, strict=True)]


async def trips_ms(link: Link, master: int) -> list[float]:
    """8 bytes out and 9 bytes back [ms]."""

    def answer() -> None:
        for _ in range(TRIPS):
            missing = 8
            while missing:
                missing -= len(os.read(master, missing))
            os.write(master, bytes(9))

    thread = threading.Thread(target=answer)
    thread.start()
    times = []
    for _ in range(TRIPS):
        start = link.now()
        await link.send(bytes(8))
        await take(link, 9)
        times.append((link.now() - start) / 1e6)
    thread.join()
    return times


async def run() -> None:
    """Measure and print."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    link = await open_link(parse_link(name), None)
    print("[ms]                         median       95%     worst")
    print("stamp late, idle loop     ", percentiles(await lateness_ms(link, master, busy=False)))
    print("stamp late, busy loop     ", percentiles(await lateness_ms(link, master, busy=True)))
    print("round trip                ", percentiles(await trips_ms(link, master)))
    overshoot = []
    for _ in range(200):
        until = link.now() + 5_300_000
        await link.receive(until)
        overshoot.append((link.now() - until) / 1e6)
    print("silence noticed late      ", percentiles(overshoot))
    await link.close()
    os.close(master)


def main() -> None:
    """Entry point."""
    asyncio.run(run())


if __name__ == "__main__":
    main()
