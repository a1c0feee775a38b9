"""How often it can be told whether the grid meter sees a generator, and how often that is right.

Run it with ``PYTHONPATH=.:simulators python tests/benchmarks/bench_coupling.py --trials 300``.
Synthetic households and generators (`tests/diagnosis/coupling/drawn_sites.py`), not field data; the
thresholds were set on seeds below 100 000, the benchmark draws from there on.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter

from busprobe.diagnosis.coupling import Holds, follows
from tests.diagnosis.coupling.drawn_sites import draw

FIRST_SEED = 100_000
MEANT = {1: "", 0: "generator-not-in-balance", -1: "generator-counts-opposite"}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    arguments = parser.parse_args()
    print("seconds  slope  decided  right  wrong")
    wrong = decided = 0
    for seconds in (60, 180, 600):
        counts: Counter[tuple[int, str]] = Counter()
        for number in range(arguments.trials):
            site = draw(arguments.first_seed + number, seconds)
            answer = follows(site.generator, site.grid)
            told = answer.findings[0].code if answer.findings else ""
            if answer.holds is Holds.UNDECIDED:
                counts[site.slope, "open"] += 1
            else:
                counts[site.slope, "right" if told == MEANT[site.slope] else "wrong"] += 1
        for slope in MEANT:
            right, bad = counts[slope, "right"], counts[slope, "wrong"]
            total = right + bad + counts[slope, "open"]
            share = (right + bad) / total if total else 0.0
            print(f"{seconds:7d}  {slope:+5d}  {share:6.1%}  {right:5d}  {bad:5d}")
            wrong += bad
            decided += right + bad
    print(f"{wrong} of {decided} answers wrong; the finding states 99 % right")
    return 1 if wrong > 0.01 * decided else 0


if __name__ == "__main__":
    sys.exit(main())
