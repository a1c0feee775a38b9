"""How likely each kind of exchange is, with one device and with more.

Theory of operation:

- What a line, one device and an adapter do to an exchange comes in patterns: a pattern is a share
  of each kind of exchange for each sort of question. So does what several devices do to each other.
  Both sets were computed with the simulated line over the full ranges of its physics and firmware
  (`patterns`). Noise damages long answers more than short ones and leaves the rest of an answer
  right; devices that collide do so whatever the length, and leave bytes behind.
- The likelihood of a course of exchanges under a hypothesis is the weighted sum over its patterns.
- Answers of other addresses tell how disturbed the line is, and so which patterns of *one* device
  are likely. They may be ill in ways of their own: a flat share keeps them from proving anything.
- A lone 00 or FF beside an answer counts as nothing, and so does silence: lines without bias and
  devices that need a rest are ill in every proportion, and no proportion proves a second device.
- A second device may be hidden: never heard, or always drowned. Those patterns look like one
  device; they are what keeps "single" from being certain. Only who is heard tells them: another
  content of fixed registers (`identity`), above all at the limits of understanding, where one of
  two is alone (`margins`, `alone`). The same content there makes a hidden device unlikely.
- So two questions are asked of the odds: how likely more than one device is, and how likely it is
  that further exchanges would still show more than one. The test ends when the second is settled.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busprobe.diagnosis.duplicate.alone import LIMITS_ALIKE
from busprobe.diagnosis.duplicate.observe import Kind
from busprobe.diagnosis.duplicate.patterns import COLUMNS, MORE, ONE, ROWS, Pattern
from busprobe.diagnosis.duplicate.questions import Sort

# How often two meters share an address on a bus where a second one has just been added: they leave
# the factory alike. Common practice, no source.
PRIOR_MORE = 0.1

# Two meters that claim the same serial number: clones, or a serial number left blank. No source.
_SAME_SERIAL = 0.05

# An address with a trouble of its own says nothing about the line.
_SICK_NEIGHBOUR = 0.3
_DAMAGE = (Kind.LONG, Kind.GARBLED, Kind.SHRUNK, Kind.BROKEN, Kind.NICKED, Kind.CUT)
_LEAST_RATE = 1e-3

# Patterns of several devices in which one is heard alone so often, whatever is asked, that nothing
# but *who* is heard tells them from one device.
_SEEMS_ALONE = 0.9
# Of those, how many hide the same device always.
_HIDES_THE_SAME = 0.3
Counts = Mapping[tuple[Sort, Kind], int]


@dataclass(frozen=True, slots=True)
class Background:
    """What other addresses of the same line show.

    Attributes:
        answers: Answers from them, whole or damaged.
        damaged: How many of them were damaged.
    """

    answers: int = 0
    damaged: int = 0


def _log_row(pattern: Pattern) -> dict[tuple[Sort, Kind], float]:
    logs = {}
    for sort, row in zip(ROWS, pattern[1], strict=True):
        shares = dict(zip(COLUMNS, row, strict=True))
        del shares[Kind.SILENT]
        shares[Kind.CLEAN] += shares.pop(Kind.FLANKED)
        total = sum(shares.values())
        logs.update({(sort, kind): math.log(share / total) for kind, share in shares.items()})
    return logs


# Kinds that are weighed as another.
_AS = {Kind.FLANKED: Kind.CLEAN, Kind.TWICE: Kind.TWO}


def tells(kind: Kind) -> Kind | None:
    """As what a kind of exchange is weighed; None where it says nothing."""
    if kind in (Kind.SILENT, Kind.BABBLE, Kind.LATE, Kind.STRANGE):
        return None
    return _AS.get(kind, kind)


_LOG_ONE = tuple((math.log(p[0]), _log_row(p)) for p in ONE)
# How often one of several answers only some requests, so that the other is heard alone: shares of
# requests that it leaves out, and how likely each is. Engineering judgement, no source.
_MUTE = ((0.0, 0.91), (0.5, 0.03), (0.8, 0.03), (0.93, 0.03))


def _with_one_mute(
    logs: Mapping[tuple[Sort, Kind], float], mute: float
) -> dict[tuple[Sort, Kind], float]:
    if not mute:
        return dict(logs)
    return {
        (sort, kind): math.log(
            (1 - mute) * math.exp(log) + mute * math.exp(_LOG_ONE[0][1][sort, kind])
        )
        for (sort, kind), log in logs.items()
    }


_LOG_MORE = tuple(
    (math.log(p[0] * share), _with_one_mute(_log_row(p), mute))
    for p in MORE
    for mute, share in _MUTE
)


def _seems_alone(logs: Mapping[tuple[Sort, Kind], float]) -> bool:
    return all(math.exp(logs[sort, Kind.CLEAN]) > _SEEMS_ALONE for sort in ROWS)


# At the limits of understanding, one of several is heard alone about half the time.
_LOG_MORE_AT_LIMITS = tuple(_with_one_mute(logs, 0.5) for _, logs in _LOG_MORE)
_ALONE = tuple(_seems_alone(logs) for _, logs in _LOG_MORE)


def _log_course(logs: Mapping[tuple[Sort, Kind], float], counts: Counts) -> float:
    return sum(number * logs[key] for key, number in counts.items())


def _rate(logs: Mapping[tuple[Sort, Kind], float]) -> float:
    """Share of damaged answers among long ones."""
    damaged = sum(math.exp(logs[Sort.ALIKE, kind]) for kind in _DAMAGE)
    return min(1.0 - _LEAST_RATE, max(_LEAST_RATE, damaged))


def _log_background(rate: float, background: Background) -> float:
    """How likely the neighbours are on a line with this share of damaged answers."""
    total, damaged = background.answers, background.damaged
    if not total:
        return 0.0
    sound = total - damaged
    line = damaged * math.log(rate) + sound * math.log1p(-rate)
    flat = math.lgamma(damaged + 1) + math.lgamma(sound + 1) - math.lgamma(total + 2)
    return log_sum((math.log(1 - _SICK_NEIGHBOUR) + line, math.log(_SICK_NEIGHBOUR) + flat))


def log_one(counts: Counts, background: Background) -> float:
    """Log likelihood of a course of exchanges, and of the neighbours, with one device.

    Requests at the limits of understanding are among the counts: one device answers them as ever.
    """
    return log_sum(
        [
            weight + _log_course(logs, counts) + _log_background(_rate(logs), background)
            for weight, logs in _LOG_ONE
        ]
    )


@dataclass(frozen=True, slots=True)
class Who:
    """Who was heard, where nothing but one and the same device was.

    Attributes:
        same_again: How often a fixed register was heard again with nothing but the same content.
        margins: Whether requests at the limits of understanding brought the same content too.
    """

    same_again: int = 0
    margins: bool = False


def log_more(
    counts: Counts, serials: Counts, background: Background, who: Who, at_limits: Counts
) -> tuple[float, float]:
    """Log likelihood with more than one device.

    Args:
        counts: Exchanges by sort of question and kind.
        serials: Those of them that asked for the serial number.
        background: Explained as well as with one device: it belongs to other addresses.
        who: Who was heard.
        at_limits: Further exchanges, at the limits of understanding.

    Returns:
        It, and the part of it in which further exchanges would tell them from one device.
    """
    # As if both held the same serial number.
    alike = Counter(counts)
    for (sort, kind), number in serials.items():
        alike[sort, kind] -= number
        alike[Sort.ALIKE, kind] += number
    heard_both = 2.0 / (who.same_again + 2.0)
    hidden = math.log(_HIDES_THE_SAME + (1 - _HIDES_THE_SAME) * heard_both)
    margins = math.log(LIMITS_ALIKE) if who.margins else 0.0
    terms, telling = [], []
    for (weight, logs), limits, alone in zip(_LOG_MORE, _LOG_MORE_AT_LIMITS, _ALONE, strict=True):
        weight += _log_course(limits, at_limits)
        differ = weight + _log_course(logs, counts) + math.log(1 - _SAME_SERIAL) + margins
        same = weight + _log_course(logs, alike) + math.log(_SAME_SERIAL)
        terms += [differ + hidden if alone else differ, same]
        if not alone:
            telling += [differ, same]
    beside = log_sum(
        [weight + _log_background(_rate(logs), background) for weight, logs in _LOG_ONE]
    )
    return log_sum(terms) + beside, log_sum(telling) + beside


def log_sum(values: Sequence[float]) -> float:
    """Log of the sum of exponentials."""
    top = max(values)
    return top + math.log(sum(math.exp(v - top) for v in values))


def probability(log_odds: float) -> float:
    """From log odds."""
    return 1 / (1 + math.exp(-max(-700.0, min(700.0, log_odds))))
