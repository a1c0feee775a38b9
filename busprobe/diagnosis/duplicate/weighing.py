"""All the evidence of an address, weighed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.diagnosis.duplicate.alone import bare, clean, log_cleaner, log_others
from busprobe.diagnosis.duplicate.hypotheses import (
    PRIOR_MORE,
    Background,
    Who,
    log_more,
    log_one,
    tells,
)
from busprobe.diagnosis.duplicate.identity import log_identity
from busprobe.diagnosis.duplicate.idle import IdleLine
from busprobe.diagnosis.duplicate.limits import Limits
from busprobe.diagnosis.duplicate.observe import Kind, Observation, switching_of
from busprobe.diagnosis.duplicate.questions import Question, Sort

Seen = Sequence[tuple[Question, Observation]]

# Once a foreign master was heard, what lies beside answers may be its traffic, and other contents
# may be answers to it: the address stays undecided until the line is ours.
_MOST_BESIDE_FOREIGN = 3.0
# The same where one device and a driver explain the damage.
_MOST_BESIDE_CUT = 2.0
# The same where damage repeats itself at moments that differ.
_MOST_WHERE_STEADY = -4.5
# The same where no answer was ever whole, and none had more bytes than one has: a driver of which
# only half still works, at the end of a long line, leaves just that.
_MOST_NEVER_WHOLE = 3.0
_MORE_THAN_ONE_HAS = frozenset((Kind.TWICE, Kind.LONG, Kind.FRONT, Kind.COLLIDED, Kind.FORKED))
# On a restless line a second device may find none of our requests: hidden ones are more frequent by
# so much (drawn lines).
_HIDDEN_WHERE_RESTLESS = 2.0
# Share of whole answers from which on a line damages few.
_SOUND = 0.8


@dataclass(frozen=True, slots=True)
class Odds:
    """Natural logarithms of odds.

    Attributes:
        more: Of more than one device against one.
        more_to_tell: Of more than one device, so that further exchanges would show it.
        proved: Whether a second device was heard in ways that noise does not know: a second valid
            answer, or another content of the same registers.
    """

    more: float
    more_to_tell: float
    proved: bool


_PRIOR = math.log(PRIOR_MORE / (1 - PRIOR_MORE))
BEFORE = Odds(_PRIOR, _PRIOR, proved=False)


def weigh(
    usual: Seen,
    limits: Limits,
    background: Background,
    idle: IdleLine,
    behind: float,
    *,
    foreign: bool,
    spoiled: bool,
    steady: bool,
) -> Odds:
    """Odds of more than one device.

    Args:
        usual: Exchanges at the rate of the line.
        limits: Those at other rates.
        background: What other addresses of the line show.
        idle: What is heard while nobody is asked.
        behind: Log evidence for more than one device from what comes directly behind answers.
        foreign: Whether a foreign master was heard.
        spoiled: Whether one device and a driver explain the damage.
        steady: Whether damage is the same nearly always, at moments that differ.
    """
    counts, serials, at_limits = _counts(usual, limits, idle)
    heard = [o for _, o in usual if tells(o.kind) is not None]
    sound = sum(bool(o.contents) for o in heard) >= _SOUND * len(heard)
    identity, same_again = log_identity((*usual, *limits.taken), sound=sound)
    elsewhere = limits.others(usual)
    the_same = bool(same_again) if elsewhere is None else not elsewhere
    inside = limits.inside_like(usual)
    beside = behind + log_others(elsewhere or 0)
    # An adapter that drives on is done sooner after a request that is sent faster.
    if inside and clean(limits.outside)[0] and not spoiled:
        usually = [o for _, o in usual if tells(o.kind)] + limits.inside
        beside += max(
            log_cleaner(clean(inside), clean(limits.outside)),
            log_cleaner(bare(usually), bare(limits.outside)),
        )
    one = log_one(counts + at_limits, background)
    who = Who(same_again, the_same and limits.found_alone)
    most = math.inf
    if steady or spoiled:
        most = _MOST_WHERE_STEADY if steady else _MOST_BESIDE_CUT
    elif _is_never_whole([o for _, o in (*usual, *limits.taken)]):
        most = _MOST_NEVER_WHOLE
    odds = []
    for more in log_more(counts, serials, background, who, at_limits):
        evidence = min(more - one, most) + (max(identity, beside) if identity else beside)
        if idle.is_restless and evidence < 0:
            evidence = min(0.0, evidence + _HIDDEN_WHERE_RESTLESS)
        if foreign:
            evidence = min(evidence, _MOST_BESIDE_FOREIGN)
        odds.append(_PRIOR + evidence)
    two_answers = any(tells(o.kind) is Kind.TWO for _, o in (*usual, *limits.taken))
    more_odds, to_tell = odds
    return Odds(more_odds, to_tell, proved=two_answers or identity > 0 or bool(elsewhere))


def _is_never_whole(seen: Sequence[Observation]) -> bool:
    return not any(o.contents or o.kind in _MORE_THAN_ONE_HAS for o in seen)


Counts = Counter[tuple[Sort, Kind]]


def _counts(usual: Seen, limits: Limits, idle: IdleLine) -> tuple[Counts, Counts, Counts]:
    """Exchanges by sort and kind; those of them about the serial number; those at the limits."""
    refused = {q.pdu for q, o in usual for c in o.contents if len(c) == 1}
    counts: Counts = Counter()
    serials: Counts = Counter()
    at_limits: Counts = Counter()
    switching = switching_of([o for _, o in usual])
    for question, seen in (*usual, *limits.counted_inside):
        steady = (seen.head, seen.tail) == switching
        kind = _weighed_as(Kind.CLEAN if steady else seen.kind, idle)
        if kind is None:
            continue
        # Refusals are short, and the same from any device.
        sort = Sort.SHORT if question.pdu in refused else question.sort
        counts[sort, kind] += 1
        if question.serial and sort is Sort.UNLIKE:
            serials[sort, kind] += 1
    for _, seen in limits.counted_outside:
        kind = _weighed_as(seen.kind, idle)
        if kind is not None:
            at_limits[Sort.UNLIKE, kind] += 1
    return counts, serials, at_limits


def _weighed_as(kind: Kind, idle: IdleLine) -> Kind | None:
    told = tells(kind)
    return None if told is None else idle.weighed_as(told)
