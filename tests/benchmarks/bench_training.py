"""Exercises solved by the public diagnosis alone: right, ambiguity named, or wrong.

    python tests/benchmarks/bench_training.py [--seeds 20] [NAME or FILE ...]

Without names: every case of every shipped exercise, and drawn ones of every level.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

_ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(_ROOT), str(_ROOT / "simulators"), str(_ROOT / "tests")]

from busprobe_sim.training import (  # noqa: E402
    Assignment,
    assign,
    exercise_names,
    grade_answer,
    seed_for,
)
from busprobe_sim.training.library import read_exercise  # noqa: E402
from training.solver import claims_of, solve  # noqa: E402


def judge(assignment: Assignment) -> tuple[str, str]:
    """Verdict in a word, and a line on how it came to that."""
    done = solve(assignment)
    claims = claims_of(done)
    grade = grade_answer(assignment, claims)
    open_at = {t.finding.address for t in done.told if t.open_question}
    missed = [c.cause for c in grade.causes if c.verdict != "found"]
    if grade.complete:
        word = "right"
    elif not grade.wrong and all(c.address in open_at for c in missed):
        word = "ambiguous"
    else:
        word = "WRONG"
    truth = ", ".join(
        f"{c.code}@{c.address}{'/' + '+'.join(c.inputs) if c.inputs else ''}"
        for c in assignment.case.truth
    )
    stated = ", ".join(map(str, claims)) or "none"
    over = "" if done.bus_time_s <= assignment.exercise.conduct.par_s else " OVER PAR"
    return word, (
        f"{word:<9} {assignment.reference:<28} {assignment.case.name:<26} "
        f"{done.bus_time_s:4.0f} s{over}  truth: {truth or 'none'}; stated: {stated}"
    )


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="exercises; random-LEVEL for drawn ones")
    parser.add_argument("--seeds", type=int, default=6, help="seeds of each name and level")
    given = parser.parse_args()
    seeds = range(1, given.seeds + 1)
    if given.names:
        wanted = [(name, seed) for name in given.names for seed in seeds]
    else:
        wanted = [
            (name, seed_for(name, case.name))
            for name in exercise_names()
            for case in read_exercise(name).cases
        ]
        wanted += [(f"random-{level}", seed) for level in range(1, 6) for seed in seeds]
    counts: Counter[str] = Counter()
    for name, seed in wanted:
        word, line = judge(assign(name, seed))
        counts[word] += 1
        print(line, flush=True)
    print(", ".join(f"{count} {word}" for word, count in sorted(counts.items())))


if __name__ == "__main__":
    main()
