"""Bus time of a full sweep, and start-up of the command.

    python tests/benchmarks/bench_sweep.py [--without-peer]

1. A sweep of addresses 1 to 247 on a simulated 9600 8N1 line with two devices, in virtual time,
   against the physical bound: bytes on the wire plus listening time.
2. The same line served in real time as RTU over TCP, swept by a plain pymodbus loop (0.2 s,
   no retries; takes 50 s). Its defaults (3 s, three retries) are computed: 12 s for each absent
   address.
3. Start-up of `busprobe --help` and `busprobe decode` against `python -c pass`, medians of 7.
"""

from __future__ import annotations

import asyncio
import logging
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "simulators"), str(ROOT / "tests")]

from busprobe.model.line import LineSettings  # noqa: E402
from busprobe.procedures.sweep import Sweep, SweepPlan, bound_s, sweep, whole_line  # noqa: E402
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402
from simulated_buses import MS, simulated_bus, station  # noqa: E402

SETTINGS = LineSettings(9600)


@dataclass(frozen=True)
class Swept:
    """One sweep: seconds of bus time, and who was found."""

    bus_s: float
    bound_s: float
    cpu_s: float
    found: tuple[int, ...]


def own(listen_ms: int, second_round: bool) -> Swept:
    """Our sweep in virtual time, with a fixed listening time."""
    bus = simulated_bus(station(1), station(2))
    plan = SweepPlan(
        whole_line(),
        first_listen_ns=listen_ms * MS,
        shortest_listen_ns=listen_ms * MS,
        slow_listen_ns=max(listen_ms, 300) * MS,
        second_round=second_round,
    )
    cpu = time.process_time()
    state = run_virtual(sweep(bus, Sweep(plan)))
    cpu = time.process_time() - cpu
    turnarounds = [e.turnaround_ns or 0 for e in state.present.values()]
    bound = bound_s(SETTINGS, 245, listen_ms * MS, turnarounds)
    if second_round:
        bound += bound_s(SETTINGS, 245, max(listen_ms, 300) * MS, [])
    return Swept(bus.now() / 1e9, bound, cpu, tuple(sorted(state.present)))


async def peer() -> tuple[float, tuple[int, ...]]:
    """A plain pymodbus loop over the same line, served in real time."""
    # It logs every unanswered request.
    logging.disable(logging.CRITICAL)
    from pymodbus import FramerType
    from pymodbus.client import AsyncModbusTcpClient
    from pymodbus.exceptions import ModbusIOException

    from busprobe_sim.ports.serve_bus import Served, serve
    from busprobe_sim.scenario import load_scenario

    ready: asyncio.Future[Served] = asyncio.get_running_loop().create_future()
    server = asyncio.create_task(
        serve(load_scenario("healthy").build(), rtu_tcp_port=0, on_ready=ready.set_result)
    )
    served = await ready
    client = AsyncModbusTcpClient(
        served.host, port=served.rtu_tcp_port or 0, framer=FramerType.RTU, timeout=0.2, retries=0
    )
    await client.connect()
    found = []
    start = time.perf_counter()
    for address in range(1, 248):
        try:
            answer = await client.read_holding_registers(0, count=2, device_id=address)
        except ModbusIOException:
            if not client.connected:
                await client.connect()
            continue
        if answer is not None:
            found.append(address)
    took = time.perf_counter() - start
    client.close()
    server.cancel()
    return took, tuple(found)


def start_up() -> dict[str, float]:
    """Median wall time of fresh processes [ms]."""
    python = sys.executable
    commands = {
        "python -c pass": [python, "-c", "pass"],
        "busprobe --help": [python, "-m", "busprobe", "--help"],
        "busprobe decode": [python, "-m", "busprobe", "decode", "01 03 00 00 00 02 C4 0B"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(7):
        for name, command in commands.items():
            begin = time.perf_counter()
            subprocess.run(
                command,
                cwd=ROOT,
                env={"PYTHONPATH": f"{ROOT}:{ROOT / 'simulators'}", "PATH": ""},
                capture_output=True,
                check=True,
            )
            times[name].append(1e3 * (time.perf_counter() - begin))
    return {name: statistics.median(values) for name, values in times.items()}


def main() -> None:
    """Print the report."""
    print("Sweep of 1..247, 9600 8N1, devices 1 and 2, turn-around 20 ms (virtual time)")
    print(f"{'':34}{'bus time':>10}{'bound':>10}{'ratio':>8}{'CPU':>9}  found")
    for text, listen, second in (
        ("one round, 100 ms", 100, False),
        ("one round, 200 ms", 200, False),
        ("two rounds, 100 ms and 300 ms", 100, True),
    ):
        s = own(listen, second)
        print(
            f"{text:34}{s.bus_s:9.2f} s{s.bound_s:9.2f} s{s.bus_s / s.bound_s:8.4f}"
            f"{s.cpu_s:7.2f} s  {', '.join(map(str, s.found))}"
        )
    if "--without-peer" not in sys.argv:
        took, found = asyncio.run(peer())
        ours = own(200, False)
        print(f"\npymodbus loop, 0.2 s, no retries   {took:7.2f} s, found {found}")
        print(f"ours with 200 ms / that loop       {ours.bus_s / took:7.3f}")
        computed = 245 * 12.0
        print(
            f"pymodbus defaults, computed        {computed:7.0f} s  ({computed / ours.bus_s:.0f} x)"
        )
    print("\nStart-up, median of 7")
    times = start_up()
    bare = times["python -c pass"]
    for name, value in times.items():
        print(f"{name:34}{value:8.1f} ms{value / bare:7.1f} x")


if __name__ == "__main__":
    main()
