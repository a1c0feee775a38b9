"""Fit the patterns of the duplicate test to simulated buses.

    python tests/diagnosis/duplicate/fit_patterns.py [--buses 200] [--seed 300000] > patterns.py

Every bus drawn from a class of `drawn_buses` is asked the same 28 questions. The kinds seen are
explained by a mixture of patterns (expectation maximisation, one mixture for a single device, one
for several); a pattern is a share of each kind for each sort of question. The seeds are those of
development: the benchmark draws others.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

ROOT = Path(__file__).resolve().parents[3]
sys.path[:0] = [str(ROOT), str(ROOT / "simulators"), str(Path(__file__).parent)]

from drawn_buses import ADDRESS, SINGLE, TWO, DrawnBus, draw_bus  # noqa: E402

from busprobe.diagnosis.duplicate.hypotheses import tells  # noqa: E402
from busprobe.diagnosis.duplicate.idle import IdleLine  # noqa: E402
from busprobe.diagnosis.duplicate.observe import Kind, Observation, switching_of  # noqa: E402
from busprobe.diagnosis.duplicate.questions import Question, Sort, questions  # noqa: E402
from busprobe.diagnosis.duplicate.reading import Reader  # noqa: E402
from busprobe.procedures.check_duplicate import hear_out, with_silence  # noqa: E402
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402

MS = 1_000_000
KINDS = tuple(kind for kind in Kind if tells(kind) in (kind, Kind.CLEAN) or kind is Kind.SILENT)
SORTS = tuple(Sort)
EXCHANGES = 28
LONG_LINGERS = 3
SILENCES = 3
GAPS_MS = (20, 100, 500)

# How often each class is met where a test is asked for. Engineering judgement, no source.
WEIGHTS = {
    "any one device": 0.3,
    "clean": 0.35,
    "noisy, 0.2-1 bursts/s": 0.07,
    "noisy, 1.2 bursts/s": 0.02,
    "noisy, 1-5 bursts/s": 0.05,
    "noisy, 5-20 bursts/s": 0.02,
    "noisy, 1-5 long bursts/s": 0.02,
    "noisy, 20-60 bursts/s": 0.003,
    "echo": 0.04,
    "late": 0.04,
    "least gap": 0.03,
    "no bias": 0.05,
    "glitches of switching": 0.01,
    "first byte lost": 0.003,
    "last byte cut or late": 0.01,
    "drops requests": 0.02,
    "pause in the answer": 0.02,
    "weak driver": 0.001,
    "ground beyond limits": 0.0005,
    "bit clock off": 0.001,
    "adapter drives too long": 0.003,
    "foreign master": 0.01,
    "any two devices": 0.15,
    "any two of one model": 0.25,
    "any three devices": 0.03,
    "of one model, crystals": 0.04,
    "equal, close": 0.1,
    "near and far": 0.1,
    "5 V and 3.3 V": 0.06,
    "identical firmware": 0.02,
    "different models": 0.07,
    "apart": 0.06,
    "three devices": 0.02,
    "two, noisy line": 0.05,
    "two, no bias": 0.05,
    "one mostly mute": 0.02,
    "both listen first": 0.02,
    "both abort": 0.03,
    "second fully hidden": 0.01,
}
# Classes of which so many times more buses are drawn: they are the most manifold.
MORE_OF = {
    "any one device": 3,
    "any two devices": 3,
    "any two of one model": 4,
    "two, no bias": 2,
    "identical firmware": 2,
}
# What a single device hardly ever shows, but might: least shares, against false certainty.
FLOOR_ONE = {
    Kind.TWO: 2e-6,
    Kind.TAIL: 3e-4,
    Kind.HEAD: 3e-4,
    Kind.LONG: 2e-4,
    Kind.FORKED: 3e-4,
    Kind.COLLIDED: 2e-4,
    Kind.AGAIN: 3e-4,
    Kind.TORN: 3e-4,
    Kind.START: 5e-4,
}
FLOOR = 1e-3
# Patterns whose shares differ less than this are one.
ALIKE = 0.01
FLOOR_TWO = 3e-3

Counts = npt.NDArray[np.float64]


def asked_of(bus: DrawnBus) -> tuple[Question, ...]:
    """The questions for a bus, from what a search would know of it."""
    identity = bus.identity
    if identity.sunspec is not None:
        blocks = [b.address for b in identity.sunspec.models if b.model_id > 100]
        return questions(identity.sunspec.base, 3, blocks[0] if blocks else None)
    return questions(None if identity.identity.source != "none" else 40000, 3, None)


async def course(bus: DrawnBus) -> Counts:
    """Ask one bus; counts by sort of question and kind."""
    asked = asked_of(bus)
    reader = Reader(ADDRESS, 3, bus.bus.line.parity)
    seen: list[tuple[Question, Observation]] = []
    gap, innocent = 0, False
    idle = IdleLine(ADDRESS)
    for number in range(EXCHANGES):
        question = asked[number % len(asked)]
        exchange = await bus.bus.exchange(
            ADDRESS,
            question.pdu,
            listen_ns=700 * MS,
            linger_ns=(320 if number < LONG_LINGERS else 60) * MS,
        )
        # The first silences are long, so that it is known whether the line speaks by itself.
        gap_ns = (GAPS_MS[gap] if number >= SILENCES else 500) * MS
        before = bus.bus.take_stray_pieces()
        heard = await hear_out(bus.bus, gap_ns)
        exchange, after = with_silence(exchange, heard, bus.bus.line)
        stray = (*before, *after)
        idle.take(stray, gap_ns)
        seen.append((question, reader.read(question, exchange, stray)))
        if exchange.turnaround_ns is None and number and not innocent:
            gap = (gap + 1) % len(GAPS_MS)
            innocent = not gap
    counts = np.zeros((len(SORTS), len(KINDS)))
    refused = {q.pdu for q, o in seen for content in o.contents if len(content) == 1}
    switching = switching_of([observation for _, observation in seen])
    for question, observation in seen:
        sort = Sort.SHORT if question.pdu in refused else question.sort
        steady = (observation.head, observation.tail) == switching
        told = tells(observation.kind) or observation.kind
        kind = idle.weighed_as(Kind.CLEAN if steady else told)
        if kind in KINDS:
            counts[SORTS.index(sort), KINDS.index(kind)] += 1
    return counts


def gather(names: tuple[str, ...], seeds: range) -> tuple[Counts, Counts]:
    """Counts of all buses, and their weights."""
    counts, weights = [], []
    for name in names:
        its = []
        more = MORE_OF.get(name, 1)
        for seed in range(seeds.start, seeds.start + more * len(seeds)):
            bus = draw_bus(name, seed)
            count = run_virtual(course(bus))
            # A second device that never sends leaves a single one; a line may be too ill to ask.
            if bus.speakers > (name in TWO):
                its.append(count)
        counts += its
        weights += [WEIGHTS[name] / len(its)] * len(its)
        print(name, len(its), file=sys.stderr)
    return np.array(counts), np.array(weights)


def fit(
    counts: Counts, weights: Counts, floor: Counts, patterns: int, seed: int
) -> tuple[Counts, Counts]:
    """Mixture of patterns: weights and shares (pattern, sort, kind)."""
    chance = np.random.default_rng(seed)
    total = counts.sum((0,)) / counts.sum((0, 2))[:, None]
    best: tuple[float, Counts, Counts] | None = None
    flat = counts.reshape(len(counts), -1)
    for _ in range(4):
        starts = chance.choice(len(counts), patterns, replace=False)
        shares = _normal(counts[starts] + 2 * total, floor)
        prior = np.full(patterns, 1 / patterns)
        for _ in range(120):
            logs = flat @ np.log(shares.reshape(patterns, -1)).T + np.log(prior)
            top = logs.max(1, keepdims=True)
            belongs = np.exp(logs - top)
            evidence = float((top[:, 0] + np.log(belongs.sum(1))).sum())
            belongs /= belongs.sum(1, keepdims=True)
            shares = _normal(np.einsum("bp,bsk->psk", belongs, counts) + 2 * total, floor)
            prior = np.maximum(belongs.mean(0), 1e-6)
        if best is None or evidence > best[0]:
            best = (evidence, belongs.copy(), shares)
    assert best is not None
    return (best[1] * weights[:, None]).sum(0) / weights.sum(), best[2]


def _normal(counts: Counts, floor: Counts) -> Counts:
    shares = counts / counts.sum(-1, keepdims=True)
    shares = np.maximum(shares, floor)
    return np.asarray(shares / shares.sum(-1, keepdims=True))


def _merged(prior: Counts, shares: Counts) -> tuple[Counts, Counts]:
    """Take patterns together that are the same but for chance."""
    kept: list[int] = []
    weights = prior.copy()
    for number in np.argsort(-prior):
        same = [k for k in kept if np.abs(shares[k] - shares[number]).max() < ALIKE]
        if same:
            weights[same[0]] += prior[number]
        else:
            kept.append(int(number))
    return weights[kept], shares[kept]


def _table(name: str, prior: Counts, shares: Counts) -> str:
    lines = [f"{name}: tuple[Pattern, ...] = ("]
    for number in np.argsort(-prior):
        if prior[number] < 2e-5:
            continue
        lines.append(f"    ({prior[number]:.2g}, (")
        for row in shares[number]:
            lines.append(
                "        (" + ", ".join(f"{float(f'{1e4 * v:.3g}'):g}" for v in row) + "),"
            )
        lines.append("    )),")
    return "\n".join([*lines, ")"])


def main() -> None:
    """Print the module."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--buses", type=int, default=200)
    parser.add_argument("--seed", type=int, default=300_000)
    parser.add_argument("--patterns", type=int, default=60)
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.buses)
    floor_one = np.array([FLOOR_ONE.get(kind, FLOOR) for kind in KINDS])
    floor_two = np.full(len(KINDS), FLOOR_TWO)
    tables = []
    for name, names, floor in (("ONE", tuple(SINGLE), floor_one), ("MORE", tuple(TWO), floor_two)):
        counts, weights = gather(names, seeds)
        tables.append(_table(name, *_merged(*fit(counts, weights, floor, options.patterns, 1))))
    kinds = "".join(f"    Kind.{kind.name},\n" for kind in KINDS)
    sorts = "".join(f"    Sort.{sort.name},\n" for sort in SORTS)
    print(
        '"""How often each kind of exchange comes, in patterns, by the simulated line.\n\n'
        "Written by tests/diagnosis/duplicate/fit_patterns.py; change that, not this.\n"
        '"""\n\n'
        "# ruff: noqa: E501\n\n"
        "from __future__ import annotations\n\n"
        "from busprobe.diagnosis.duplicate.observe import Kind\n"
        "from busprobe.diagnosis.duplicate.questions import Sort\n\n"
        f"COLUMNS = (\n{kinds})\n"
        f"ROWS = (\n{sorts})\n\n"
        "# Weight of the pattern; for each sort of question the share of each kind [1e-4].\n"
        "Pattern = tuple[float, tuple[tuple[float, ...], ...]]\n\n"
        "# fmt: off\n" + "\n\n".join(tables) + "\n# fmt: on"
    )


if __name__ == "__main__":
    main()
