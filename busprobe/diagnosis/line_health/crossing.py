"""Answers of devices that were not asked: heard whole, or across the answer of the one asked.

Two answers that cross last longer than one, which noise hardly ever brings about. Who sent the
other one is told by the whole answers heard, and by whose own answers are never crossed.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from difflib import SequenceMatcher
from functools import lru_cache

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.line_health.counting import MOST_SURE, answered_in, share_of
from busprobe.diagnosis.line_health.rates import log_drawn, log_fixed, log_sum
from busprobe.diagnosis.line_health.signs import Sample, Sign
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.finding import Evidence

# Damage by noise may gain a byte or two.
_LONGER = 2
# Nor does it move the start of an answer by more than its own length.
_MARGIN_NS = 6_000_000
_FEWEST_TIMES = 5
# A burst destroys a few bytes of a long answer, another answer a large part of it.
_FEWEST_COMPARED = 20
_ALL_OVER = 0.3
_STRAY_FRAME = 2e-3
_STRAY_LENGTH = 2e-3
# Of damaged answers, the share that noise alone makes look like this (assumption).
_NOISE_LENGTHENS = 0.2
_NOISE_SHAPE = 0.7
# Where the idle line is disturbed, a sender that was never heard whole is a suspicion only.
_UNHEARD = 0.6
_FEWEST_STRAYS = 2
_SHARE = (1.0, 2.0)
_LOG_PRIOR = math.log(0.03)


def crossed_in(its: Sequence[Sample]) -> set[int]:
    """Numbers of the exchanges in which another answer crossed the one asked for.

    Those whose damaged answer is longer than one, begins at another time, or is wrong over a large
    part, and those with the end of another answer behind a whole one.

    Args:
        its: Exchanges of one address.
    """
    times = [s.turnaround_ns for s in its if s.sign is Sign.CLEAN and s.turnaround_ns is not None]
    early = late = None
    if len(times) >= _FEWEST_TIMES:
        margin = max(_MARGIN_NS, (max(times) - min(times)) // 2)
        early, late = min(times) - margin, max(times) + margin

    def elsewhen(sample: Sample) -> bool:
        at = sample.turnaround_ns
        if early is None or late is None or at is None:
            return False
        return not early <= at <= late

    whole: dict[int, list[bytes]] = {}
    for each in its:
        if each.sign is Sign.CLEAN:
            whole.setdefault(each.condition.registers, []).append(each.heard)
    return {
        s.number
        for s in its
        if (
            s.sign is Sign.DAMAGED
            and (
                len(s.heard) > s.characters + _LONGER
                or elsewhen(s)
                or _wrong_all_over(s, whole.get(s.condition.registers, ()))
            )
        )
        or (s.sign is Sign.CLEAN and len(s.after) > 1 and not set(s.after) <= PULSES)
    }


def _wrong_all_over(sample: Sample, whole: Sequence[bytes]) -> bool:
    """Whether far more of an answer is wrong than a burst destroys.

    Args:
        sample: A damaged answer.
        whole: Answers to the same question, in the order heard.
    """
    if sample.characters < _FEWEST_COMPARED or len(whole) < 2:
        return False
    # Between whole answers, values have changed.
    usual = _unlike(whole[-2], whole[-1])
    return _unlike(sample.heard, whole[-1]) > usual + _ALL_OVER * sample.characters


@lru_cache(maxsize=4096)
def _unlike(one: bytes, other: bytes) -> int:
    """Bytes of one that have no place in the other."""
    blocks = SequenceMatcher(None, one, other, autojunk=False).get_matching_blocks()
    return max(len(one), len(other)) - sum(b.size for b in blocks)


def answers_for_others(
    answering: Mapping[int, Sequence[Sample]], duplicates: Mapping[int, tuple[str, float]]
) -> list[Cause]:
    """Who answers requests to others.

    Args:
        answering: Exchanges by address.
        duplicates: Verdict and probability of the duplicate test, by address, where it was made.
            Where two devices share an address, what crosses their answers is explained.
    """
    doubled = {a for a, (verdict, _) in duplicates.items() if verdict == "duplicate"}
    its = {a: _heard(samples) for a, samples in answering.items() if a not in doubled}
    senders = Counter(
        sender
        for a, samples in answering.items()
        for s in samples
        if s.sign is not Sign.LATE
        for sender in set(s.senders)
    )
    longer = {number for samples in its.values() for number in crossed_in(samples)}
    if not senders and not longer:
        return []
    damaged = sum(
        s.sign is Sign.DAMAGED and s.number not in longer for x in its.values() for s in x
    )
    total = sum(map(len, its.values()))
    lengthens = _STRAY_LENGTH + _NOISE_LENGTHENS * damaged / max(1, total)
    crossed = {a: sum(s.number in longer for s in samples) for a, samples in its.items()}
    counts = {a: len(samples) for a, samples in its.items()}

    def by_noise(addresses: Collection[int]) -> float:
        """Crossed by the look only: the share is unknown, and the same everywhere."""
        return log_drawn(
            sum(crossed[a] for a in addresses),
            sum(counts[a] for a in addresses),
            _NOISE_SHAPE,
            _NOISE_SHAPE * (1 / lengthens - 1),
        )

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
        count = sum(s.number in longer or sender in s.senders for s in asked)
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
            verdict, sure = duplicates.get(address, ("", 0.0))
            logs["doubled", address] = (
                _LOG_PRIOR
                + (math.log(max(1e-3, 1 - sure)) if verdict == "single" else 0.0)
                + log_drawn(crossed[address], counts[address], 1.0, 1.0)
                + by_noise([a for a in its if a != address])
                + unheard()
            )
    all_in = log_sum(list(logs.values()))
    strays = sum(len(run) > 1 for samples in answering.values() for s in samples for run in s.idle)
    quiet = strays < _FEWEST_STRAYS
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
            next(
                (s.number for a in its if a != sender for s in its[a] if s.number in longer), None
            ),
        )
        text = (
            f"in {share_of(count, asked_count)} requests to others its answer was heard "
            f"({whole} times whole) or crossed theirs"
        )
        found.append(
            Cause(
                "answers-for-others",
                sender,
                min(math.exp(value - all_in), MOST_SURE if whole or quiet else _UNHEARD),
                (Evidence(first, text),),
                {"count": count},
            )
        )
    return found


def _heard(samples: Sequence[Sample]) -> list[Sample]:
    answered = answered_in(samples)
    return answered + [s for s in samples if s.sign is Sign.OTHERS]
