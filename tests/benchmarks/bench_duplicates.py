"""How often the duplicate test is right, undecided and wrong, and what it costs, on drawn buses.

    python tests/benchmarks/bench_duplicates.py [--buses 200] [--seed 1000000] [CLASS ...]

A class is named by a part of its name; "drawn" are all that take everything from its full range.

Every class of `drawn_buses` with fresh seeds (the patterns of the test were fitted to seeds from
300 000 on). Bus time is virtual. "wrong" counts every false verdict, "silent" too where somebody
spoke. On some lines, as a rule without bias, nobody understands a request: "nobody" counts the
buses on which no device at the address sent anything. "hidden" are those buses among the wrong and
the undecided ones on which nothing that was heard differs from what one device would give, because
a stronger device always drowned or silenced the second. "drawn" are the classes that take
everything from its full range; they are the figure. The others are chosen to be hard.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import Pool
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "simulators"), str(ROOT / "tests/diagnosis/duplicate")]

from drawn_buses import ADDRESS, NEIGHBOUR, SINGLE, TWO, draw_bus  # noqa: E402
from fit_patterns import WEIGHTS  # noqa: E402

from busprobe.diagnosis.duplicate.hypotheses import PRIOR_MORE  # noqa: E402
from busprobe.diagnosis.duplicate.observe import Kind, observe  # noqa: E402
from busprobe.model.exchange import Exchange  # noqa: E402
from busprobe.model.line import LineSettings  # noqa: E402
from busprobe.procedures.check_duplicate import background_of, check_duplicate  # noqa: E402
from busprobe.wire import pdu  # noqa: E402
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402

MS = 1_000_000
# Physics or firmware beyond what the standards allow, or a line that is not ours: by themselves.
BEYOND = (
    "noisy, 20-60 bursts/s",
    "weak driver",
    "ground beyond limits",
    "bit clock off",
    "adapter drives too long",
    "foreign master",
)

# Everything from its full range, and nothing chosen for a purpose.
DRAWN = (
    "any one device",
    "any two devices",
    "any two of one model",
    "any three devices",
)

# Lengths of the answers with SunSpec mark, serial number, marker to maker, and all of these.
FIXED_ANSWERS = (9, 37, 45, 145)


@dataclass(frozen=True)
class Run:
    """One bus tested.

    Attributes:
        name: Class.
        seed: Seed.
        speakers: How many devices at the address sent anything.
        hidden: Whether nothing that was heard differs from what one device would give, and the
            second was not told.
        verdict: What was said.
        probability: Of the verdict.
        bus_s: Bus time, neighbours not counted [s].
        found: Serial numbers that were told and are there.
        invented: Serial numbers that were told and are not there.
        printed: Serial numbers there are.
    """

    name: str
    seed: int
    speakers: int
    hidden: bool
    verdict: str
    probability: float
    bus_s: float
    found: int
    invented: int
    printed: int

    @property
    def more(self) -> bool:
        """Whether more than one device sent."""
        return self.speakers > 1

    @property
    def right(self) -> bool:
        """Whether the verdict is true."""
        return self.verdict == ("silent", "single", "duplicate")[min(2, self.speakers)]

    @property
    def wrong(self) -> bool:
        """Whether the verdict is false."""
        return self.verdict != "undecided" and not self.right


def run(name: str, seed: int) -> Run:
    """Test one bus."""
    bus = draw_bus(name, seed)
    heard: list[Exchange] = []
    if bus.neighbour:
        request = pdu.read_registers(3, 40000, 20)
        for _ in range(6):
            heard.append(
                run_virtual(
                    bus.bus.exchange(NEIGHBOUR, request, listen_ns=400 * MS, gap_ns=20 * MS)
                )
            )
    background = background_of(heard, ADDRESS, bus.bus.line)
    start = bus.bus.now()
    told: list[Exchange] = []
    bus.bus.on_exchange = told.append
    verdict = run_virtual(
        check_duplicate(bus.bus, ADDRESS, identity=bus.identity, background=background)
    )
    return Run(
        name,
        seed,
        bus.speakers,
        bus.speakers > 1
        and verdict.verdict != "duplicate"
        and looks_single(told, plain=not bus.serials),
        verdict.verdict,
        verdict.probability,
        (bus.bus.now() - start) / 1e9,
        len(set(bus.serials) & set(verdict.serials)),
        len(set(verdict.serials) - set(bus.serials)),
        len(bus.serials),
    )


def looks_single(exchanges: Sequence[Exchange], *, plain: bool) -> bool:
    """Whether every request had one whole answer at most, nothing but glitches beside it, and the
    same content from registers that are fixed.

    Then nothing on the bus tells the device that was heard from one that is alone.
    """
    fixed: dict[bytes, set[bytes]] = {}
    for e in exchanges:
        seen = observe(e)
        if seen.kind not in (Kind.CLEAN, Kind.FLANKED, Kind.SILENT):
            return False
        # Without a SunSpec map all registers are readings, which change.
        if not plain and seen.characters in FIXED_ANSWERS:
            fixed.setdefault(e.request.pdu, set()).update(seen.contents)
    return all(len(contents) == 1 for contents in fixed.values())


def table(runs: Sequence[Run]) -> None:
    """Print one line per class."""
    print(f"{'class':27}{'buses':>6}{'hidden':>7}{'wrong':>7}{'undec.':>8}{'nobody':>7}", end="")
    print(f"{'median':>8}{'p95':>7}   serials known (all/one/none), invented")
    for name in dict.fromkeys(r.name for r in runs):
        line(name, [r for r in runs if r.name == name])
    hard = [r for r in runs if r.name not in BEYOND and r.name not in DRAWN]
    drawn = [r for r in runs if r.name in DRAWN]
    print()
    line("chosen: beyond limits", [r for r in runs if r.name in BEYOND])
    line("chosen: nobody, one", [r for r in hard if not r.more])
    line("chosen: more", [r for r in hard if r.more])
    line("drawn: nobody", [r for r in drawn if not r.speakers])
    line("drawn: one", [r for r in drawn if r.speakers == 1])
    line("drawn: more", [r for r in drawn if r.more])
    line("drawn: all", drawn)


def line(text: str, its: Sequence[Run]) -> None:
    """Print one line."""
    if not its:
        return
    times = sorted(r.bus_s for r in its)
    p95 = times[int(0.95 * (len(times) - 1))]
    with_serials = [r for r in its if r.printed > 1]
    known = ""
    if with_serials:
        whole = sum(r.found == r.printed for r in with_serials)
        none = sum(r.found == 0 for r in with_serials)
        known = f"   {whole}/{len(with_serials) - whole - none}/{none}"
    invented = sum(r.invented for r in its)
    print(
        f"{text:27}{len(its):6}{sum(r.hidden for r in its):7}{sum(r.wrong for r in its):7}"
        f"{100 * sum(r.verdict == 'undecided' for r in its) / len(its):7.1f}%"
        f"{sum(not r.speakers for r in its):7}"
        f"{statistics.median(times):7.2f}s{p95:6.1f}s{known}"
        + (f", {invented}" if invented else "")
    )


def calibration(runs: Sequence[Run]) -> None:
    """Print stated against true probabilities, for verdicts and for "undecided" alike.

    Once as often as the test expects each class, which is what its probability is meant for, and
    once every bus alike.
    """
    numbers = Counter((r.name, r.more) for r in runs)
    totals = {
        more: sum(WEIGHTS[name] for name, its in numbers if its == more) for more in (False, True)
    }
    told = []
    for r in runs:
        if r.verdict == "silent":
            continue
        two = 1 - r.probability if r.verdict == "single" else r.probability
        prior = PRIOR_MORE if r.more else 1 - PRIOR_MORE
        weight = prior * WEIGHTS[r.name] / numbers[r.name, r.more] / totals[r.more]
        told.append((two, r.more, weight))
    print(f"\n{'':26}{'':8}     as expected         every bus alike")
    print("probability of more         buses   stated    true     stated    true")
    edges = (0.0, 0.0003, 0.001, 0.003, 0.01, 0.05, 0.5, 0.95, 0.9995, 0.99999, 1.0 + 1e-12)
    for low, high in pairwise(edges):
        its = [t for t in told if low <= t[0] < high]
        if its:
            expected = sum(w for *_, w in its)
            stated = sum(p * w for p, _, w in its) / expected
            true = sum(m * w for _, m, w in its) / expected
            print(
                f"{low:9.5f} to {min(high, 1):9.5f}{len(its):9}{stated:10.5f}{true:8.5f}"
                f"{statistics.fmean(p for p, *_ in its):11.5f}"
                f"{statistics.fmean(m for _, m, _ in its):8.5f}"
            )


def main() -> None:
    """Print the report."""
    parser = argparse.ArgumentParser()
    parser.add_argument("classes", nargs="*")
    parser.add_argument("--buses", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1_000_000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--wrong", action="store_true", help="list the seeds that went wrong")
    options = parser.parse_args()
    names = [
        name
        for name in (*SINGLE, *TWO)
        if not options.classes
        or any(c in name or (c == "drawn" and name in DRAWN) for c in options.classes)
    ]
    buses = [(name, options.seed + i) for name in names for i in range(options.buses)]
    with Pool(options.jobs) as pool:
        runs = pool.starmap(run, buses, chunksize=4)
    print(f"Duplicate test, {options.buses} buses a class, seeds from {options.seed}")
    print(f"default settings {LineSettings(9600)}; 8N1 at 9600 on 80 % of the buses\n")
    table(runs)
    calibration(runs)
    if options.wrong:
        for r in runs:
            if r.wrong or r.verdict in ("undecided", "silent") or r.invented:
                print(r)


if __name__ == "__main__":
    main()
