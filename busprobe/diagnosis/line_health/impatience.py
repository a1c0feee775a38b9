"""Requests that were given up before the answer of a slow device came, and what it then fell into.

Such an answer comes while somebody else is asked and collides there. Neither the silence nor the
damage tells anything about the line: whoever waits long enough sees neither.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from busprobe.diagnosis.line_health.signs import Sample, Sign

# An answer may take a little longer than the slowest that was heard.
_LONGER = 1.25


def without_given_up(samples: Sequence[Sample]) -> tuple[list[Sample], set[int]]:
    """Leave out what late answers of slow devices fell into.

    Args:
        samples: Of one experiment, in order.

    Returns:
        The exchanges that tell about line and devices, and the numbers of those among them that
        were given up too early for their silence to mean anything.
    """
    slowest: dict[int, int] = {}
    for each in samples:
        if each.sign is Sign.CLEAN and each.turnaround_ns is not None:
            slowest[each.address] = max(slowest.get(each.address, 0), each.turnaround_ns)
    given_up = {
        s.number
        for s in samples
        if s.sign is Sign.SILENT
        and s.idle_ns - s.condition.gap_ns < _LONGER * slowest.get(s.address, 0)
    }
    hit = {after.number for before, after in pairwise(samples) if before.number in given_up}
    return [s for s in samples if s.number not in hit - given_up], given_up
