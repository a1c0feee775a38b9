"""What listening finds on drawn lines with a foreign master, and how long it takes.

    python tests/benchmarks/bench_listen.py [--each 4]

For each rate: formats, poll periods (0.2 to 2 s), traffic, starting rates, adapters (with and
without marks, 0 to 16 ms of latency) are drawn. "rate" counts the right rate, "format" the right
format among those told to fit, "only" the cases in which it was told to be the only one; 8N2 counts
as 8N1, because a receiver tests one stop bit. Then lines that hold no conversation, or an inverted
one.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "simulators"), str(ROOT / "tests")]

from busprobe.bus.bus import Bus  # noqa: E402
from busprobe.diagnosis.listening import listening_findings  # noqa: E402
from busprobe.model.line import LineSettings, Parity  # noqa: E402
from busprobe.procedures.listen import Listening, listen  # noqa: E402
from busprobe.wire import pdu  # noqa: E402
from busprobe_sim.line.line import Line  # noqa: E402
from busprobe_sim.line.parameters import (  # noqa: E402
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.receiver import classic  # noqa: E402
from busprobe_sim.physics.uart import AfterFramingError  # noqa: E402
from busprobe_sim.ports.virtual import VirtualLink, run_virtual  # noqa: E402
from tests.diagnosis.line_health.faulty_lines import Varied  # noqa: E402

RATES = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
FORMATS = ((Parity.NONE, 1), (Parity.EVEN, 1), (Parity.ODD, 1), (Parity.NONE, 2))


def never_stops(line: Line, settings: LineSettings, rng: random.Random) -> None:
    """Put a device on the line that sends without end, whole bytes of no frame."""
    node = NodeParameters(rng.uniform(1.0, 80.0), settings, clock_error=rng.gauss(0, 0.003))
    device = line.add_station(StationParameters(1, node), Varied(1))

    def babble() -> None:
        data = rng.randbytes(32)
        start = line.transmit(device, data, line.now_ns)
        line.schedule(start + settings.duration_ns(len(data) - 1), babble)

    line.schedule(0, babble)


def heard(
    rng: random.Random,
    settings: LineSettings | None,
    *,
    swapped: bool = False,
    floating: bool = False,
    jabber: bool = False,
    bursts_hz: float = 0.0,
    start: LineSettings | None = None,
) -> Listening:
    """Listen for 10 s on a drawn line."""
    parameters = LineParameters(float_rate_hz=0.0)
    if floating:
        parameters = LineParameters(biases=(), float_rate_hz=rng.uniform(3.0, 20.0))
    if bursts_hz:
        parameters = replace(
            parameters, burst_rate_hz=bursts_hz, burst_us=(200.0, rng.uniform(500.0, 2500.0))
        )
    line = Line(parameters, rng.randrange(1 << 30))
    if settings is not None and jabber:
        never_stops(line, settings, rng)
    elif settings is not None:
        for address in (1, 2, 3):
            node = NodeParameters(rng.uniform(1.0, 80.0), settings, clock_error=rng.gauss(0, 0.003))
            line.add_station(
                StationParameters(address, node, rng.uniform(3.0, 80.0)), Varied(address)
            )
        requests = tuple(
            (
                rng.choice((1, 1, 2, 3, 4)),
                pdu.read_registers(rng.choice((3, 4)), rng.randrange(50_000), rng.randint(1, 40)),
            )
            for _ in range(rng.randint(1, 4))
        )
        node = NodeParameters(40.0, settings, clock_error=rng.gauss(0, 0.003))
        # A poll at 1200 Bd of 40 registers takes a second by itself.
        period = rng.uniform(200.0, 2000.0)
        line.add_master(MasterParameters(node, requests, period, first_ms=rng.uniform(10, 900)))
    node = NodeParameters(
        20.0,
        start or LineSettings(rng.choice(RATES)),
        swapped=swapped,
        comparator=classic(),
        after_framing_error=rng.choice(list(AfterFramingError)),
    )
    port = line.open_port(
        PortParameters(
            node, latency_ms=rng.choice((0.0, 1.0, 16.0)), reports_marks=rng.random() < 0.5
        )
    )
    return run_virtual(listen(Bus(VirtualLink(port)), 10.0))


def told(found: Listening) -> set[str]:
    """Codes of what is told of a line; addresses 1 to 3 exist, so that "absent" is wrong there."""
    conversation = found.conversation
    findings = listening_findings(found.heard, conversation, None, found.seconds)
    wrong = {f"absent {f.address} (WRONG)" for f in findings if f.code == "polled-absent"} - {
        "absent 4 (WRONG)"
    }
    return {f.code for f in findings} | wrong


def main() -> None:
    """Print the report."""
    options = argparse.ArgumentParser()
    options.add_argument("--each", type=int, default=4)
    options.add_argument("--verbose", action="store_true")
    chosen = options.parse_args()
    begin = time.process_time()
    print(f"{'talks at':>10}{'lines':>7}{'rate':>6}{'format':>8}{'only':>6}  else heard as")
    total: Counter[str] = Counter()
    alarms: Counter[str] = Counter()
    for baud in RATES:
        row: Counter[str] = Counter()
        states: Counter[str] = Counter()
        for parity, stop in FORMATS:
            for seed in range(chosen.each):
                settings = LineSettings(baud, parity, stop)
                rng = random.Random(f"{settings} {seed}")
                found = heard(rng, settings)
                row["lines"] += 1
                alarms.update(told(found))
                right = found.settings is not None and found.settings.baud == baud
                fits = {
                    (s.parity, 1 if s.parity is Parity.NONE else s.stop_bits)
                    for s in found.heard.alternatives
                } | {(s.parity, s.stop_bits) for s in found.heard.alternatives}
                row["rate"] += right
                row["format"] += right and (parity, stop) in fits | {
                    (p, 2) for p, _ in fits if p is Parity.NONE
                }
                row["only"] += right and len(found.heard.alternatives) == 1
                if not right:
                    states[f"{found.heard.state}"] += 1
                    if chosen.verbose:
                        print(settings, seed, found.heard)
        total += row
        also = ", ".join(f"{name} x{count}" for name, count in states.items())
        print(f"{baud:>10}{row['lines']:7}{row['rate']:6}{row['format']:8}{row['only']:6}  {also}")
    print(f"{'all':>10}{total['lines']:7}{total['rate']:6}{total['format']:8}{total['only']:6}")
    print("told of them: " + ", ".join(f"{name} {n}" for name, n in sorted(alarms.items())))
    print(f"\n{'line':26}{'lines':>6}  heard as; told")
    for label, talks, swapped, floating, jabber, bursts in (
        ("quiet", False, False, False, False, 0.0),
        ("floating idle", False, False, True, False, 0.0),
        ("conversation, swapped", True, True, False, False, 0.0),
        ("conversation, floating", True, False, True, False, 0.0),
        ("conversation, bursts 2/s", True, False, False, False, 2.0),
        ("conversation, bursts 20/s", True, False, False, False, 20.0),
        ("bursts alone 2/s", False, False, False, False, 2.0),
        ("bursts alone 20/s", False, False, False, False, 20.0),
        ("never stops", True, False, False, True, 0.0),
    ):
        states, alarms = Counter(), Counter()
        count = 4 * chosen.each
        for seed in range(count):
            rng = random.Random(f"{label} {seed}")
            settings = LineSettings(rng.choice((9600, 19200)), rng.choice(list(Parity)))
            found = heard(
                rng,
                settings if talks else None,
                swapped=swapped,
                floating=floating,
                jabber=jabber,
                bursts_hz=bursts,
                start=LineSettings(),
            )
            states[str(found.heard.state)] += 1
            alarms.update(told(found))
        shown = ", ".join(f"{name} {n}" for name, n in states.most_common())
        also = ", ".join(f"{name} {n}" for name, n in sorted(alarms.items()))
        print(f"{label:26}{count:6}  {shown}; {also or 'nothing'}")
    print(f"\nCPU {time.process_time() - begin:.0f} s")


if __name__ == "__main__":
    main()
