"""Answers of devices that were not asked: heard whole, or across the answer of the one asked.

Two answers that cross last longer than one, which noise hardly ever brings about. Who sent the
other one is told by the whole answers heard, and by whose own answers are never crossed.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence

from busprobe.diagnosis.line_health.counting import MOST_SURE, answered_in, share_of
from busprobe.diagnosis.line_health.rates import log_drawn, log_fixed, log_sum
from busprobe.diagnosis.line_health.signs import Sample, Sign
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.finding import Evidence

# Damage by noise may gain a byte or two.
_LONGER = 2
_STRAY_FRAME = 2e-3
_STRAY_LENGTH = 2e-3
# Of damaged answers, the share that noise makes longer (assumption).
_NOISE_LENGTHENS = 0.2
_SHARE = (1.0, 2.0)
_LOG_PRIOR = math.log(0.03)


def is_crossed(sample: Sample) -> bool:
    """Whether a damaged answer lasts longer than any single one."""
    return sample.sign is Sign.DAMAGED and len(sample.heard) > sample.characters + _LONGER


def answers_for_others(
    answering: Mapping[int, Sequence[Sample]], doubled: Collection[int]
) -> list[Cause]:
    """Who answers requests to others.

    Args:
        answering: Exchanges by address.
        doubled: Addresses known to have two devices: what crosses their answers is explained.
    """
    its = {a: _heard(samples) for a, samples in answering.items() if a not in doubled}
    senders = Counter(
        sender
        for a, samples in answering.items()
        for s in samples
        if s.sign is not Sign.LATE
        for sender in set(s.senders)
    )
    if not senders and not any(is_crossed(s) for samples in its.values() for s in samples):
        return []
    damaged = sum(s.sign is Sign.DAMAGED and not is_crossed(s) for x in its.values() for s in x)
    total = sum(map(len, its.values()))
    lengthens = _STRAY_LENGTH + _NOISE_LENGTHENS * damaged / max(1, total)
    crossed = {a: sum(map(is_crossed, samples)) for a, samples in its.items()}
    counts = {a: len(samples) for a, samples in its.items()}

    def by_noise(addresses: Collection[int]) -> float:
        return sum(log_fixed(crossed[a], counts[a], lengthens) for a in addresses)

    def unheard(but: int | None = None) -> float:
        """Whole answers of senders, as strays."""
        asked = sum(map(len, answering.values()))
        return sum(log_fixed(n, asked, _STRAY_FRAME) for x, n in senders.items() if x != but)

    logs: dict[tuple[str, int | None], float] = {
        ("nothing", None): math.log1p(-0.06) + by_noise(its) + unheard()
    }
    events: dict[int, tuple[int, int]] = {}
    candidates = sorted(answering.keys() | senders.keys())
    for sender in candidates:
        others = [a for a in its if a != sender]
        asked = [s for a in others for s in its[a]]
        count = sum(is_crossed(s) or sender in s.senders for s in asked)
        events[sender] = count, len(asked)
        if count:
            logs["others", sender] = (
                _LOG_PRIOR
                + log_drawn(count, len(asked), *_SHARE)
                + by_noise([a for a in its if a == sender])
                + unheard(sender)
                # Nothing whole was heard of it: it may be any of them.
                - (0.0 if senders[sender] else math.log(len(candidates)))
            )
    for address in its:
        if crossed[address]:
            logs["doubled", address] = (
                _LOG_PRIOR
                + log_drawn(crossed[address], counts[address], 1.0, 1.0)
                + by_noise([a for a in its if a != address])
                + unheard()
            )
    all_in = log_sum(list(logs.values()))
    found = []
    for sender in candidates:
        if ("others", sender) not in logs:
            continue
        value = logs["others", sender]
        count, asked_count = events[sender]
        whole = senders[sender]
        first = next(
            (
                s.number
                for a, x in answering.items()
                if a != sender
                for s in x
                if sender in s.senders
            ),
            next((s.number for a in its if a != sender for s in its[a] if is_crossed(s)), None),
        )
        text = (
            f"in {share_of(count, asked_count)} requests to others its answer was heard "
            f"({whole} times whole) or crossed theirs"
        )
        found.append(
            Cause(
                "answers-for-others",
                sender,
                min(math.exp(value - all_in), MOST_SURE),
                (Evidence(first, text),),
                {"count": count},
            )
        )
    return found


def _heard(samples: Sequence[Sample]) -> list[Sample]:
    answered = answered_in(samples)
    return answered + [s for s in samples if s.sign is Sign.OTHERS]
