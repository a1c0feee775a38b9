"""Who answered: contents of registers that never change, and readings that jump."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.questions import Question

# Chance of a different content of fixed registers with one device: a damaged answer whose CRC fits.
# On a line that damages few answers it is one in 65536 of those few.
_LOG_IDENTITY_ONCE = math.log(1e4)
_LOG_IDENTITY_ONCE_SOUND = math.log(1e6)
_LOG_IDENTITY_TWICE = math.log(1e9)
# Exception codes that the same request brings always or never; others (busy, failure, gateways)
# come and go (MODBUS Application Protocol V1.1b3, section 7).
_STEADY_REFUSALS = (1, 2, 3)
# Readings that jump to and fro together may be those of two devices: so many registers, so many
# jumps, so much wider than what they do otherwise. A load that pulses does it too.
_LOG_JUMPING = math.log(100.0)
_FEWEST_JUMPING = 4
_FEWEST_JUMPS = 2
_JUMP_FACTOR = 4
_LEAST_JUMP = 8


def log_identity(
    taken: Sequence[tuple[Question, Observation]], *, sound: bool
) -> tuple[float, int]:
    """Evidence from fixed registers that gave different whole answers, or the same again.

    Args:
        taken: Questions and what was seen.
        sound: Whether the line damages few answers.

    Returns:
        Log of the evidence for two devices, and how often the serial number was heard again.
    """
    strongest, same_again = 0.0, 0
    for question in {q.pdu: q for q, _ in taken}.values():
        contents = [
            content
            for q, o in taken
            if q.pdu == question.pdu and o.kind is not Kind.STRANGE
            for content in o.contents
            if len(content) > 1 or content[0] in _STEADY_REFUSALS
        ]
        if not question.fixed:
            if jumps_together(contents):
                strongest = max(strongest, _LOG_JUMPING)
            continue
        seen = Counter(contents)
        if len(seen) == 1 and question.serial:
            same_again = seen.total() - 1
        if len(seen) < 2:
            continue
        second = seen.most_common(2)[1][1]
        once = _LOG_IDENTITY_ONCE_SOUND if sound else _LOG_IDENTITY_ONCE
        strongest = max(strongest, _LOG_IDENTITY_TWICE if second > 1 else once)
    return strongest, 0 if strongest else same_again


def jumps_together(contents: Sequence[bytes]) -> bool:
    """Whether readings jump to and fro between two sets of values.

    Args:
        contents: Answers to one request, in order: byte count and registers.
    """
    size = max((len(c) for c in contents), default=0)
    rows = [c for c in contents if len(c) == size]
    patterns: Counter[tuple[bool, ...]] = Counter()
    for place in range(1, size - 1, 2):
        values = [int.from_bytes(row[place : place + 2], "big") for row in rows]
        border = _border(values)
        if border is not None:
            patterns[tuple((v < border) == (values[0] < border) for v in values)] += 1
    return any(
        registers >= _FEWEST_JUMPING and sum(a != b for a, b in pairwise(pattern)) >= _FEWEST_JUMPS
        for pattern, registers in patterns.items()
    )


def _border(values: Sequence[int]) -> float | None:
    """What parts values into two narrow groups far apart, None where nothing does."""
    ordered = sorted(values)
    if len(ordered) < 2:
        return None
    gap, place = max((b - a, i) for i, (a, b) in enumerate(pairwise(ordered)))
    inside = max(ordered[place] - ordered[0], ordered[-1] - ordered[place + 1])
    if gap < max(_LEAST_JUMP, _JUMP_FACTOR * inside):
        return None
    return (ordered[place] + ordered[place + 1]) / 2
