"""Whom a search misses: patient and fast, over devices of all habits.

    python tests/benchmarks/bench_missed.py [--buses 200] [--seed 1]

Every bus is drawn: 9600 8N1, 1 to 5 devices at drawn addresses, 1 to 200 m away, turn-arounds drawn
evenly from the span of the row. On the disturbed lines noise bursts of 100 to 1000 us come at
random. All in virtual time. A device counts as missed when the search ends without naming its
address, as wrong when an address is named that nobody has. The interval is the exact binomial one
(Clopper and Pearson, 95 %).
"""

from __future__ import annotations

import argparse
import random
import sys
from dataclasses import dataclass, replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "simulators"), str(ROOT / "tests")]

from scipy.stats import beta  # noqa: E402

from busprobe.bus.bus import MS  # noqa: E402
from busprobe.procedures.fast_sweep import FAST_LISTEN_NS, fast_sweep  # noqa: E402
from busprobe.procedures.sweep import Sweep, SweepPlan, sweep, whole_line  # noqa: E402
from busprobe_sim.line.parameters import (  # noqa: E402
    LineParameters,
    NodeParameters,
    OnOtherRequest,
)
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402
from simulated_buses import Registers, simulated_bus, station  # noqa: E402

QUIET = LineParameters(float_rate_hz=0.0)


@dataclass(frozen=True)
class Kind:
    """Devices of one habit.

    Attributes:
        name: For the table.
        turnaround_ms: Span from which turn-arounds are drawn [ms].
        gives_up: Whether a pending answer is dropped when another request is heard.
        refuses: Whether every read is refused with an exception.
        drop_rate: Share of requests that are ignored.
        bursts_hz: Noise bursts on the line [1/s].
    """

    name: str
    turnaround_ms: tuple[float, float]
    gives_up: bool = False
    refuses: bool = False
    drop_rate: float = 0.0
    bursts_hz: float = 0.0


KINDS = (
    Kind("answers within 50 ms", (5, 50)),
    Kind("answers within 50 to 280 ms", (50, 280)),
    Kind("answers within 280 to 480 ms", (280, 480)),
    Kind("refuses the read, within 50 ms", (5, 50), refuses=True),
    Kind("refuses the read, within 50 to 280 ms", (50, 280), refuses=True),
    Kind("gives up when it hears another request, 5 to 45 ms", (5, 45), gives_up=True),
    Kind("gives up when it hears another request, 50 to 280 ms", (50, 280), gives_up=True),
    Kind("ignores one request in 20, within 50 ms", (5, 50), drop_rate=0.05),
    Kind("ignores one request in 5, within 50 ms", (5, 50), drop_rate=0.2),
    Kind("1 noise burst a second, answers within 280 ms", (5, 280), bursts_hz=1.0),
    Kind("5 noise bursts a second, answers within 280 ms", (5, 280), bursts_hz=5.0),
    Kind("20 noise bursts a second, answers within 280 ms", (5, 280), bursts_hz=20.0),
)


def search(kind: Kind, seed: int, fast: bool) -> tuple[int, int, int, float]:
    """Devices, missed, wrong, and bus time [s] of one search on one drawn bus."""
    rng = random.Random(seed)
    addresses = rng.sample(range(1, 248), rng.randint(1, 5))
    low, high = kind.turnaround_ms
    habit = OnOtherRequest.ABORT if kind.gives_up else OnOtherRequest.SEND
    bus = simulated_bus(
        *(
            station(
                a,
                turnaround_ms=rng.uniform(low, high),
                node=NodeParameters(position_m=rng.uniform(1.0, 200.0)),
                on_other_request=habit,
                drop_rate=kind.drop_rate,
            )
            for a in addresses
        ),
        servers={n: Registers(highest=-1 if kind.refuses else 0xFFFF) for n in range(5)},
        seed=seed,
        line=replace(QUIET, burst_rate_hz=kind.bursts_hz, burst_us=(100.0, 1000.0)),
    )
    state = Sweep(SweepPlan(whole_line()))
    if fast:
        run_virtual(fast_sweep(bus, state, listen_ns=FAST_LISTEN_NS))
    else:
        run_virtual(sweep(bus, state))
    named = set(state.present) | set(state.garbled)
    missed, wrong = set(addresses) - named, named - set(addresses)
    return len(addresses), len(missed), len(wrong), bus.now() / 1e9


def interval(missed: int, devices: int) -> tuple[float, float]:
    """Exact 95 % interval of a share."""
    low = beta.ppf(0.025, missed, devices - missed + 1) if missed else 0.0
    high = beta.ppf(0.975, missed + 1, devices - missed) if missed < devices else 1.0
    return float(low), float(high)


def main() -> None:
    """Print the report."""
    options = argparse.ArgumentParser()
    options.add_argument("--buses", type=int, default=200)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", default="", help="rows whose name contains this")
    chosen = options.parse_args()
    print(f"{chosen.buses} drawn buses a row and search, 9600 8N1, whole line")
    for fast in (False, True):
        listen = f"fast ({FAST_LISTEN_NS // MS} ms)" if fast else "patient"
        print(f"\n{listen:54}missed of devices    95 % interval   wrong   longest")
        for kind in (k for k in KINDS if chosen.only in k.name):
            ran = [search(kind, chosen.seed + n, fast) for n in range(chosen.buses)]
            devices, missed = sum(r[0] for r in ran), sum(r[1] for r in ran)
            low, high = interval(missed, devices)
            print(
                f"  {kind.name:52}{missed:6} of {devices:5}   {100 * low:6.2f}-{100 * high:.2f} %"
                f"{sum(r[2] for r in ran):8}{max(r[3] for r in ran):8.1f} s",
                flush=True,
            )


if __name__ == "__main__":
    main()
