"""Counting signs, and weighing a count."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busprobe.diagnosis.line_health.rates import (
    clopper_pearson,
    log_drawn,
    log_fixed,
    probability,
)
from busprobe.diagnosis.line_health.signs import Sample, Sign

# A sign by itself, without any cause that leaves it.
CHANCE = 4e-4
# Of answers damaged by anything, the share that looks like a particular sign.
LOOKS_LIKE = 0.03
MOST_SURE = 0.999
_SIGN_SHARE = (1.0, 2.0)
_LOG_PRIOR_SIGN = math.log(0.03)


def presence(count: int, total: int, rival: float) -> float:
    """Probability that a cause leaves a sign, against its rivals' share."""
    if count <= rival * total:
        return probability(_LOG_PRIOR_SIGN)
    return probability(
        _LOG_PRIOR_SIGN
        + log_drawn(count, total, *_SIGN_SHARE)
        - log_fixed(count, total, min(0.9, rival))
    )


def first_with(samples: Sequence[Sample], *signs: Sign) -> int | None:
    """Number of the first exchange with one of these signs."""
    return next((s.number for s in samples if s.sign in signs), None)


def share_of(count: int, total: int) -> str:
    """A share in words, with its exact 95 % interval."""
    low, high = clopper_pearson(count, total)
    return f"{count} of {total} (between {100 * low:.1f} and {100 * high:.1f} %)"


def answered_in(its: Sequence[Sample]) -> list[Sample]:
    """Exchanges that brought an answer or what is left of one."""
    return [s for s in its if s.sign not in (Sign.SILENT, Sign.OTHERS)]


def is_clean(sample: Sample) -> bool:
    """One whole answer and nothing else."""
    return sample.sign in (Sign.CLEAN, Sign.GATEWAY) and not (
        sample.before
        or sample.after
        or sample.idle
        or sample.senders
        or sample.masters
        or sample.seconds
    )
