"""The fast sweep, the chained settings search, and polling, against their physical bounds.

    python tests/benchmarks/bench_fast_sweep.py [--trials 200] [--peer]

All in virtual time; `--peer` runs a pymodbus loop (0.2 s, no retries) over the same line served in
real time, which takes 50 s. Without it the loop's time measured earlier on such a line is used:
49.43 s (245 absent addresses x 0.2 s and two answers).

1. Fast sweep of 1 to 247, 9600 8N1, devices 1 and 2 at 20 ms.
2. Seeded trials: 1 to 5 devices at drawn addresses, turn-arounds 5 to 350 ms, answering whatever
   else they hear; how many are missed, how many found at a wrong address.
3. Patient sweep against its bound.
4. Settings search: 8 rates, formats 8N1 and 8E1, nobody there, and one device at each of them.
5. Polling 10 devices that part frames by silence.
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [
    str(ROOT),
    str(ROOT / "simulators"),
    str(ROOT / "tests"),
    str(Path(__file__).parent),
]

from busprobe.bus.bus import MS  # noqa: E402
from busprobe.diagnosis.electrical import DeviceReads, poll_cycle  # noqa: E402
from busprobe.model.exchange import Outcome  # noqa: E402
from busprobe.model.line import LineSettings, Parity  # noqa: E402
from busprobe.procedures import fast_sweep as fast  # noqa: E402
from busprobe.procedures.chained_rates import anybody_at, chains_of  # noqa: E402
from busprobe.procedures.sweep import Sweep, SweepPlan, bound_s, sweep, whole_line  # noqa: E402
from busprobe.wire import pdu  # noqa: E402
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters  # noqa: E402
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402
from simulated_buses import Registers, simulated_bus, station  # noqa: E402

PYMODBUS_LOOP_S = 49.43
SETTINGS = LineSettings(9600)
RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
QUIET = LineParameters(float_rate_hz=0.0)


def ascending() -> SweepPlan:
    """Every address in order, as a plain loop asks."""
    return SweepPlan(tuple(range(1, 248)))


def fast_time(listen_ms: int) -> tuple[float, float, tuple[int, ...]]:
    """Bus time, bound and finds of a fast sweep with two quick devices."""
    bus = simulated_bus(station(1), station(2))
    state = run_virtual(fast.fast_sweep(bus, Sweep(ascending()), listen_ns=listen_ms * MS))
    bound = fast.bound_s(SETTINGS, 247, listen_ms * MS, fast.PATIENCE_NS)
    return bus.now() / 1e9, bound, tuple(sorted(state.present))


def trial(seed: int, listen_ms: int) -> tuple[int, int, int, float]:
    """Devices, missed, wrong, bus time of one drawn bus."""
    rng = random.Random(seed)
    addresses = rng.sample(range(1, 248), rng.randint(1, 5))
    bus = simulated_bus(
        *(
            station(
                a,
                turnaround_ms=rng.uniform(5.0, 330.0),
                loop_ms=rng.uniform(0.0, 20.0),
                node=NodeParameters(position_m=rng.uniform(1.0, 200.0)),
            )
            for a in addresses
        ),
        seed=seed,
        line=QUIET,
    )
    state = run_virtual(fast.fast_sweep(bus, Sweep(ascending()), listen_ns=listen_ms * MS))
    found = set(state.present)
    missed = set(addresses) - found
    wrong = (found | set(state.garbled)) - set(addresses)
    return len(addresses), len(missed), len(wrong), bus.now() / 1e9


def patient(listen_ms: int) -> float:
    """Bus time of the patient sweep over its bound."""
    bus = simulated_bus(station(1), station(2))
    plan = SweepPlan(
        whole_line(), listen_ms * MS, listen_ms * MS, max(300, listen_ms) * MS, second_round=False
    )
    state = run_virtual(sweep(bus, Sweep(plan)))
    turnarounds = [e.turnaround_ns or 0 for e in state.present.values()]
    return bus.now() / 1e9 / bound_s(SETTINGS, 245, listen_ms * MS, turnarounds)


def chained(listen_ms: int, device: tuple[LineSettings, float] | None) -> tuple[float, float, bool]:
    """Time per address for both chains, its bound, and whether somebody was heard."""
    stations = ()
    if device is not None:
        settings, turnaround = device
        stations = (
            station(1, node=NodeParameters(10.0, settings=settings), turnaround_ms=turnaround),
        )
    bus = simulated_bus(*stations, line=QUIET)
    chains = chains_of(
        LineSettings(baud, parity) for parity in (Parity.NONE, Parity.EVEN) for baud in RATES
    )
    request = pdu.read_registers(3, 0, 2)

    async def run() -> bool:
        heard = False
        for chain in chains:
            heard |= await anybody_at(bus, 1, request, chain.settings, listen_ms * MS)
        return heard

    heard = run_virtual(run())
    return bus.now() / 1e9, sum(c.bound_s(listen_ms * MS) for c in chains), heard


def polling(baud: int, registers: int) -> tuple[float, int, int]:
    """Two rounds over ten strict devices: time over bound, answers, requests."""
    node = NodeParameters(10.0, settings=LineSettings(baud))
    bus = simulated_bus(
        *(station(a, node=node, turnaround_ms=20.0) for a in range(1, 11)),
        servers={n: Registers(n) for n in range(10)},
        port=PortParameters(NodeParameters(settings=LineSettings(baud))),
    )
    request = pdu.read_registers(3, 0, registers)

    async def run() -> int:
        good = 0
        for _ in range(2):
            for address in range(1, 11):
                exchange = await bus.exchange(address, request, listen_ns=200 * MS)
                good += exchange.outcome is Outcome.ANSWERED
        await bus.settle(0)
        return good

    good = run_virtual(run())
    bound = 2 * poll_cycle(LineSettings(baud), [DeviceReads((registers,), 20.0)] * 10).cycle_s
    return bus.now() / 1e9 / bound, good, 20


def main() -> None:
    """Print the report."""
    options = argparse.ArgumentParser()
    options.add_argument("--trials", type=int, default=200)
    options.add_argument("--peer", action="store_true")
    chosen = options.parse_args()
    peer_s = PYMODBUS_LOOP_S
    if chosen.peer:
        import asyncio

        import bench_sweep

        peer_s, found = asyncio.run(bench_sweep.peer())
        print(f"pymodbus loop, 0.2 s, no retries: {peer_s:.2f} s, found {found}\n")
    print("Fast sweep of 1..247, 9600 8N1, devices 1 and 2 at 20 ms")
    for listen in (30, 50):
        took, bound, found = fast_time(listen)
        print(
            f"  {listen} ms  {took:6.2f} s  bound {bound:6.2f} s  {took / bound:.4f} x"
            f"  {took / peer_s:.3f} x pymodbus loop  found {found}"
        )
    for listen in (30, 50):
        ran = [trial(seed, listen) for seed in range(chosen.trials)]
        print(
            f"  {chosen.trials} drawn buses, {listen} ms: {sum(r[0] for r in ran)} devices up to "
            f"350 ms, {sum(r[1] for r in ran)} missed, {sum(r[2] for r in ran)} at a wrong address;"
            f" time median {statistics.median(r[3] for r in ran):.1f} s, "
            f"longest {max(r[3] for r in ran):.1f} s"
        )
    print("\nPatient sweep over its bound")
    for listen in (100, 200, 300):
        print(f"  {listen} ms  {patient(listen):.4f} x")
    print("\nSettings search, 8 rates x 8N1 and 8E1, per address")
    took, bound, _ = chained(100, None)
    print(f"  nobody there: {took:.4f} s, bound {bound:.4f} s, {took / bound:.4f} x")
    cases = [
        (LineSettings(baud, parity), turnaround)
        for baud in RATES
        for parity in (Parity.NONE, Parity.EVEN)
        for turnaround in (5.0, 20.0, 50.0, 95.0)
    ]
    heard = sum(chained(100, case)[2] for case in cases)
    print(f"  a device at each setting, 5 to 95 ms: {heard} of {len(cases)} heard")
    print("\nPolling ten devices that part frames by silence, two rounds")
    for baud, registers in ((9600, 10), (19200, 10), (9600, 107), (115200, 10)):
        ratio, good, asked = polling(baud, registers)
        print(f"  {baud:6} Bd {registers:4} registers  {ratio:.4f} x bound, {good}/{asked} answers")


if __name__ == "__main__":
    main()
