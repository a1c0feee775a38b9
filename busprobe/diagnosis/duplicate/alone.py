"""What requests at the limits of understanding tell: there, one of two devices may answer alone."""

from __future__ import annotations

import math
from collections.abc import Sequence

from busprobe.diagnosis.duplicate.observe import Kind, Observation

# How often two devices understand requests at the wrong rate so much alike that neither was heard
# alone (measured on simulated lines, bit clocks apart by 0.3 % rms).
LIMITS_ALIKE = 0.15
# An adapter that is slow to go back to the rate of the line spoils the start of an answer: what it
# can do is no evidence.
NOT_BY_ADAPTER = frozenset((Kind.CLEAN, Kind.FLANKED, Kind.TWO, Kind.TAIL, Kind.LONG))
_MOST_LOG = math.log(1e3)

# Readings of the same device stay this close over seconds: in steps, and as a share.
_CLOSE_STEPS = 8
_CLOSE_SHARE = 0.05
FEWEST_ROWS = 3
_FEWEST_OTHER = 4
_SHARE_OTHER = 0.4
_LOG_OTHER_ONCE = math.log(30.0)
_LOG_OTHER_TWICE = math.log(1e4)
_LOG_OTHER_OFTEN = math.log(1e8)
_OFTEN = 4


def log_cleaner(inside: tuple[int, int], outside: tuple[int, int]) -> float:
    """Evidence for two devices from answers that are clean more often at the limits.

    With one device the rate of a request has no influence on how its answer fares; both shares are
    uniform before anything is known.

    Args:
        inside: Clean answers, and all, to requests at rates that every device understands.
        outside: The same at the limits.
    """
    together = (inside[0] + outside[0], inside[1] + outside[1])
    log = _log_share(inside) + _log_share(outside) - _log_share(together)
    if outside[0] * inside[1] <= inside[0] * outside[1]:
        log = min(0.0, log)
    return min(_MOST_LOG, math.log(LIMITS_ALIKE + (1 - LIMITS_ALIKE) * math.exp(log)))


def clean(seen: Sequence[Observation]) -> tuple[int, int]:
    """How many exchanges brought one whole answer, and how many there are."""
    return sum(o.kind in (Kind.CLEAN, Kind.FLANKED) for o in seen), len(seen)


def bare(seen: Sequence[Observation]) -> tuple[int, int]:
    """How many whole answers had no byte beside them, and how many there are."""
    whole = [o for o in seen if len(o.contents) == 1]
    return sum(o.kind is Kind.CLEAN for o in whole), len(whole)


def _log_share(counts: tuple[int, int]) -> float:
    good, total = counts
    return math.lgamma(good + 1) + math.lgamma(total - good + 1) - math.lgamma(total + 2)


def others(inside: Sequence[bytes], outside: Sequence[bytes]) -> int | None:
    """How many answers at the limits hold readings of another device.

    Args:
        inside: Answers to the same request at rates that every device understands: byte count and
            registers.
        outside: Those at the limits.

    Returns:
        Their number, or None where too little was heard to compare.
    """
    size = max((len(c) for c in inside), default=0)
    own = [_registers(c) for c in inside if len(c) == size]
    if not own or size < 2 * _FEWEST_OTHER:
        return None
    rows = [_registers(c) for c in outside if len(c) == size]
    # Answers at the limits that hold the device's own readings are as good as those inside.
    own += [row for row in rows if not _is_other(row, _ranges(own))]
    number = sum(_is_other(row, _ranges(own)) for row in rows)
    # Two rows are few; but others that are heard again are no accident of the moment.
    enough = len(own) >= FEWEST_ROWS or (len(own) > 1 and number > 1)
    return number if enough else None


def _ranges(rows: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    return [(min(column), max(column)) for column in zip(*rows, strict=True)]


def _is_other(row: Sequence[int], ranges: Sequence[tuple[int, int]]) -> bool:
    told = [(v, low, high) for v, (low, high) in zip(row, ranges, strict=True) if v or high]
    apart = 0
    for value, low, high in told:
        slack = max(_CLOSE_STEPS, _CLOSE_SHARE * high)
        apart += not low - slack <= value <= high + slack
    return apart >= max(_FEWEST_OTHER, _SHARE_OTHER * len(told))


def _registers(content: bytes) -> list[int]:
    return [int.from_bytes(content[i : i + 2], "big") for i in range(1, len(content) - 1, 2)]


def log_others(number: int) -> float:
    """Evidence from so many answers with readings of another device, and its own in between."""
    if not number:
        return 0.0
    if number >= _OFTEN:
        return _LOG_OTHER_OFTEN
    return _LOG_OTHER_TWICE if number > 1 else _LOG_OTHER_ONCE
