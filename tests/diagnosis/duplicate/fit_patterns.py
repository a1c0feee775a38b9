"""Fit the patterns of the duplicate test to simulated buses.

    python tests/diagnosis/duplicate/fit_patterns.py [--buses 400] [--seed 100000] > patterns.py

Every bus drawn from a class of `drawn_buses` is asked the same 24 questions. The kinds seen are
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

from busprobe.diagnosis.duplicate.observe import Kind, observe  # noqa: E402
from busprobe.diagnosis.duplicate.questions import Question, Sort, questions  # noqa: E402
from busprobe.diagnosis.duplicate.serials import frame_of  # noqa: E402
from busprobe.model.exchange import Frame  # noqa: E402
from busprobe.wire import pdu  # noqa: E402
from busprobe_sim.ports.virtual import run_virtual  # noqa: E402

MS = 1_000_000
KINDS = tuple(kind for kind in Kind if kind is not Kind.STRANGE)
SORTS = tuple(Sort)
EXCHANGES = 24

# How often each class is met where a test is asked for. Engineering judgement, no source.
WEIGHTS = {
    "clean": 0.50,
    "noisy, 0.2-1 bursts/s": 0.10,
    "noisy, 1-5 bursts/s": 0.06,
    "noisy, 5-20 bursts/s": 0.03,
    "noisy, 1-5 long bursts/s": 0.03,
    "noisy, 20-60 bursts/s": 0.003,
    "echo": 0.05,
    "late": 0.05,
    "least gap": 0.04,
    "no bias": 0.06,
    "last byte cut or late": 0.01,
    "drops requests": 0.02,
    "pause in the answer": 0.02,
    "weak driver": 0.001,
    "ground beyond limits": 0.0005,
    "bit clock off": 0.001,
    "adapter drives too long": 0.003,
    "foreign master": 0.01,
    "equal, close": 0.14,
    "near and far": 0.18,
    "5 V and 3.3 V": 0.08,
    "identical firmware": 0.01,
    "different models": 0.15,
    "apart": 0.12,
    "three devices": 0.05,
    "two, noisy line": 0.08,
    "two, no bias": 0.08,
    "one mostly mute": 0.02,
    "both listen first": 0.02,
    "both abort": 0.04,
    "second fully hidden": 0.01,
}
# What a single device hardly ever shows, but might: least shares, against false certainty.
FLOOR_ONE = {Kind.TWO: 2e-5, Kind.TAIL: 3e-4, Kind.HEAD: 3e-4, Kind.LONG: 2e-4}
FLOOR = 1e-3
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
    counts = np.zeros((len(SORTS), len(KINDS)))
    known: dict[bytes, set[bytes]] = {}
    held_back = b""
    for number in range(EXCHANGES):
        question = asked[number % len(asked)]
        exchange = await bus.bus.exchange(
            ADDRESS,
            question.pdu,
            listen_ns=700 * MS,
            linger_ns=(320 if number < 4 else 90) * MS,
            gap_ns=20 * MS,
        )
        whole = set(known.get(question.pdu, ())) if question.serial else set()
        certain = b""
        if question.data:
            certain = frame_of(ADDRESS, question.pdu[0], question.data)
            whole.add(certain)
        seen = observe(exchange, whole, held_back, certain, bus.bus.line.parity)
        held_back = seen.head if seen.kind is Kind.CUT else b""
        for piece in exchange.pieces:
            if isinstance(piece, Frame) and pdu.matches(question.pdu, piece.pdu):
                known.setdefault(question.pdu, set()).add(piece.raw)
        if seen.kind is not Kind.STRANGE:
            counts[SORTS.index(question.sort), KINDS.index(seen.kind)] += 1
        await bus.bus.settle(20 * MS)
    return counts


def gather(names: tuple[str, ...], seeds: range) -> tuple[Counts, Counts]:
    """Counts of all buses, and their weights."""
    counts, weights = [], []
    for name in names:
        its = []
        for seed in seeds:
            bus = draw_bus(name, seed)
            count = run_virtual(course(bus))
            # A second device that never sends leaves a single one.
            if name in SINGLE or bus.speakers > 1:
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
    parser.add_argument("--buses", type=int, default=400)
    parser.add_argument("--seed", type=int, default=100_000)
    parser.add_argument("--patterns", type=int, default=18)
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.buses)
    floor_one = np.array([FLOOR_ONE.get(kind, FLOOR) for kind in KINDS])
    floor_two = np.full(len(KINDS), FLOOR_TWO)
    tables = []
    for name, names, floor in (("ONE", tuple(SINGLE), floor_one), ("MORE", tuple(TWO), floor_two)):
        counts, weights = gather(names, seeds)
        tables.append(_table(name, *fit(counts, weights, floor, options.patterns, 1)))
    kinds = "".join(f"    Kind.{kind.name},\n" for kind in KINDS)
    sorts = "".join(f"    Sort.{sort.name},\n" for sort in SORTS)
    print(
        '"""How often each kind of exchange comes, in patterns, by the simulated line.\n\n'
        "Written by tests/diagnosis/duplicate/fit_patterns.py; change that, not this.\n"
        '"""\n\n'
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
