"""A simulated bus served in a thread, for peers that block."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from busprobe_sim.ports.serve_bus import Served, serve
from busprobe_sim.scenario import SimulatedBus, load_scenario
from busprobe_sim.site import Instrument, InstrumentParameters

# Quick enough for tests in real time; a pseudo-terminal can tell the rate.
FAST = """
title: A quick bench
story: Two meters of different kinds, quick enough for programs that run in real time.
line: {settings: 115200 8N1, length_m: 5}
devices:
  - name: integer meter
    address: 1
    serial: A-1
    sunspec: {models: [203]}
    measures: {refresh_s: 3600, noise: false}
    position_m: 2
    timing: {turnaround_ms: 3, loop_ms: 0.5}
  - name: float meter
    address: 7
    maker: Nixenfurt
    serial: B-7
    sunspec: {models: [213], common_length: 65}
    measures: {refresh_s: 3600, noise: false}
    firmware: {functions: [3, 4, 43]}
    position_m: 4
    timing: {turnaround_ms: 3, loop_ms: 0.5}
"""


def fast_bus(folder: Path) -> SimulatedBus:
    """The quick bench."""
    path = folder / "bench.yaml"
    path.write_text(FAST, encoding="utf-8")
    return load_scenario(str(path)).build()


def instrument(bus: SimulatedBus, address: int) -> Instrument:
    """The instrument inside the meter of the quick bench at an address, built once more."""
    name = {1: "integer meter", 7: "float meter"}[address]
    parameters = InstrumentParameters(refresh_s=3600.0, noise=False)
    return Instrument(bus.site, "grid", parameters, 1, name)


@contextmanager
def served(bus: SimulatedBus, **ways: bool | int) -> Iterator[Served]:
    """Serve a bus while the block runs."""
    ready = threading.Event()
    found: list[Served] = []
    loops: list[tuple[asyncio.AbstractEventLoop, asyncio.Task[None]]] = []

    def on_ready(where: Served) -> None:
        found.append(where)
        ready.set()

    async def main() -> None:
        task = asyncio.ensure_future(serve(bus, on_ready=on_ready, **ways))  # type: ignore[arg-type]
        loops.append((asyncio.get_running_loop(), task))
        try:
            await task
        except asyncio.CancelledError:
            return
        finally:
            ready.set()

    thread = threading.Thread(target=lambda: asyncio.run(main()), daemon=True)
    thread.start()
    assert ready.wait(10.0)
    try:
        assert found, "the bus could not be served"
        yield found[0]
    finally:
        loop, task = loops[0]
        loop.call_soon_threadsafe(task.cancel)
        thread.join(10.0)
        assert not thread.is_alive()
