"""How fast the simulated line runs, and how often each outcome of a collision is heard.

Run from the root of the checkout::

    PYTHONPATH=.:simulators python -m tests.benchmarks.bench_line [--trials 3000]

Speeds are simulated seconds per second of processor time, median of five rounds. The traffic is
two devices polled in turn (10 registers, turn-around 20 ms, then t3.5). Noise is drawn at 16
samples a bit wherever it can reach a threshold, which on a healthy line is nowhere. The last row is
a line on which it is everywhere (0.55 V rms, no terminators), so that every sample is drawn.
"""

from __future__ import annotations

import argparse
import math
import statistics
import time
from dataclasses import replace

from busprobe.model.line import LineSettings
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters
from busprobe_sim.line.station import silence_ns
from busprobe_sim.physics.receiver import failsafe
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from tests.simulators.line.collision_trials import SITUATIONS, Situation, any_failsafe, shares
from tests.simulators.line.line_bench import MS, QUIET, answer, make, read, station

REGISTERS = 10
ROUNDS = 5

# (clean, tail, junk + frame, none, framing error or break) in percent; computed with an independent
# line and UART model, 3000 trials each.
EXPECTED = {
    "equal, 10 m apart, failsafe": (0, 0, 0, 100, 53),
    "equal, 10 m apart, classic": (3, 6, 0.3, 91, 63),
    "5 m and 50 m": (18.6, 35.8, 3.2, 42.4, 45),
    "5 m and 300 m": (18.6, 35.8, 3.2, 42.4, 45),
    "5 V against 3.3 V": (15.5, 28.7, 3, 53, 50),
    "weak against 5 V": (20.5, 35.5, 3.5, 40.5, 43),
    "equal, identical data": ("4-8", "0-5", "0-1", "87-96", "52-63"),
    "both drive only 0": (0, 0, 0, 100, 91),
}
# Spread of the turn-around [ms]: (kind, percent), from the same model.
SPREADS = {10.0: ("none", 98), 20.0: ("two", 28), 50.0: ("two", 65)}


def poll_speed(
    baud: int, parameters: LineParameters, node: NodeParameters, exchanges: int = 200
) -> float:
    """Simulated seconds per second of processor time, all receivers alike."""
    form = LineSettings(baud)
    node = replace(node, settings=form)
    port_parameters = PortParameters(node, reports_marks=True)
    devices = [replace(station(address, 20.0), node=node) for address in (1, 2)]
    bus, port, _ = make(*devices, port=port_parameters, line=parameters)
    requests = [read(address, REGISTERS) for address in (1, 2)]
    wanted = [answer(address, REGISTERS) for address in (1, 2)]
    gap = math.ceil(silence_ns(form)) + MS // 10
    start = time.process_time()
    for number in range(exchanges):
        port.write(port.now_ns, requests[number % 2])
        chunk = port.next_arrival(port.now_ns + 500 * MS)
        if chunk is None or chunk.data != wanted[number % 2]:
            raise SystemExit("A clean line lost a reply.")
        port.next_arrival(port.now_ns + gap)
    return bus.now_ns / 1e9 / (time.process_time() - start)


def sweep_cost() -> tuple[float, float, list[int]]:
    """Processor time [s], simulated time [s] and addresses found, 1..247 at 9600 8N1."""
    _, port, _ = make(station(1, 20.0), station(2, 20.0))
    link = VirtualLink(port)

    async def sweep() -> list[int]:
        found = []
        for address in range(1, 248):
            sent = await link.send(read(address, 4))
            if await link.receive(sent.t_ns + link.settings.duration_ns(8) + 100 * MS):
                found.append(address)
                await link.receive(link.now() + 4 * MS)
        return found

    start = time.process_time()
    found = run_virtual(sweep())
    return time.process_time() - start, link.now() / 1e9, found


def main() -> None:
    """Measure and print."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--trials", type=int, default=1000)
    trials = arguments.parse_args().trials
    every_bit = replace(QUIET, force_bits=True)
    ways = {
        "passing through": (QUIET, NodeParameters()),
        "every bit": (every_bit, NodeParameters()),
        "every bit, every sample drawn": (
            replace(every_bit, terminators=()),
            NodeParameters(comparator=failsafe(noise_rms_v=0.55)),
        ),
    }
    print("simulated seconds per second of processor time")
    for baud in (9600, 19200, 115200):
        for name, (parameters, node) in ways.items():
            speed = statistics.median(poll_speed(baud, parameters, node) for _ in range(ROUNDS))
            print(f"{baud:7} Bd  {name:37} {speed:6.0f} x")
    cost, simulated, found = sweep_cost()
    print(f"sweep 1..247: {1000 * cost:.1f} ms for {simulated:.2f} s on the line, found {found}")
    print(f"\noutcome of {trials} collisions [%], in brackets the independent model")
    kinds = ("clean", "tail", "junk+frame", "none", "damaged")
    for name, situation in SITUATIONS.items():
        got = shares(situation, trials)
        cells = (
            f"{kind} {100 * got[kind]:.1f} ({expected})"
            for kind, expected in zip(kinds, EXPECTED[name], strict=True)
        )
        print(f"{name:28} {'  '.join(cells)}")
    for loop_ms, (kind, expected) in SPREADS.items():
        got = shares(Situation(receiver=any_failsafe, loop_ms=loop_ms), trials)
        print(f"turn-around + U(0, {loop_ms:.0f} ms): {kind} {100 * got[kind]:.1f} ({expected})")


if __name__ == "__main__":
    main()
