"""Why requests stay unanswered: weighed by when they do.

Each hypothesis says how often requests are missed, by the silence before them and by whether
another device was spoken to just before. Shares are unknown and integrated out (Beta priors).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from busprobe.diagnosis.line_health.rates import log_drawn, log_sum
from busprobe.diagnosis.line_health.signs import Sample, Sign

MS = 1_000_000
# Silences that the experiment tries [ns]; 0 means t3.5.
GAPS_NS = (0, 10 * MS, 40 * MS, 120 * MS, 600 * MS)
# A sound device misses a request in a few hundred (assumption).
_SOUND = (0.3, 150.0)
# On a disturbed line, before anything is known of the other devices.
_SOUND_DISTURBED = (1.0, 20.0)
_DROPS = (1.2, 3.0)
_DEAF = (3.0, 1.0)
# A device that loses its place does so after some of the frames it hears, or after each.
_DEAF_AFTER_OTHERS = (1.0, 1.0)
_ABSENT = (120.0, 0.3)

_LOG_PRIOR_SOUND = -0.13
_LOG_PRIOR = {
    "requests-dropped": -3.9,
    "minimum-gap": -3.5,
    "deaf-after-others": -4.2,
    "device-silent": -3.0,
}
# Differences of log likelihood.
_AS_GOOD = 1.5
_NOT_RULED_OUT = 6.0
# A rest longer than this after other traffic brings a deaf device back (assumption).
RESYNC_NS = 600 * MS


@dataclass(frozen=True, slots=True)
class Silence:
    """Why an address misses requests.

    Attributes:
        probabilities: Of "sound" and of each cause; two may hold at once.
        gap_ns: Shortest silence tried that the device is content with, where it needs one [ns].
        ask_ns: Shortest one that it may be content with: the one to try next [ns].
    """

    probabilities: dict[str, float]
    gap_ns: int
    ask_ns: int


Where = Callable[[Sample], bool]
# Parameters of a Beta prior; None for those of a sound device on this line.
Share = tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class _Hypothesis:
    """What a device does, and how often it misses requests then.

    Attributes:
        habits: Its causes, none for a sound device.
        content_ns: Shortest silence it is content with, None where it needs none [ns].
        log_prior: Before anything is known.
        parts: Shares of missed requests by kind of request; the kinds cover all.
    """

    habits: tuple[str, ...]
    content_ns: int | None
    log_prior: float
    parts: tuple[tuple[Where, Share], ...]


def weigh_silence(samples: Sequence[Sample], elsewhere: tuple[int, int] | None = None) -> Silence:
    """Weigh the exchanges of one address.

    Args:
        samples: They.
        elsewhere: Missed and all requests of another device on the same line, where the line is
            disturbed: what the disturbance itself swallows.
    """
    sounds = [_SOUND]
    if elsewhere is not None:
        missed, total = elsewhere
        a, b = _SOUND_DISTURBED
        # Devices differ in place and length of their answers, and the other one may have a habit
        # of its own: half a vote, and perhaps none.
        sounds += [_SOUND_DISTURBED, (a + 0.5 * missed, b + 0.5 * (total - missed))]
    logs = [
        (
            each,
            each.log_prior
            + log_sum([_course(samples, each.parts, sound) for sound in sounds])
            - math.log(len(sounds)),
        )
        for each in _HYPOTHESES
    ]
    all_in = log_sum([value for _, value in logs])
    probabilities = dict.fromkeys(("sound", *_LOG_PRIOR), 0.0)
    by_content: dict[int, list[float]] = {}
    for each, value in logs:
        for habit in each.habits or ("sound",):
            probabilities[habit] += math.exp(value - all_in)
        if each.content_ns is not None:
            by_content.setdefault(each.content_ns, []).append(value)
    best = max(map(log_sum, by_content.values()))

    def shortest(within: float) -> int:
        return min(gap for gap, values in by_content.items() if log_sum(values) > best - within)

    return Silence(probabilities, shortest(_AS_GOOD), shortest(_NOT_RULED_OUT))


def _course(
    samples: Sequence[Sample],
    parts: Sequence[tuple[Where, Share]],
    sound: tuple[float, float],
) -> float:
    total = 0.0
    for where, share in parts:
        chosen = [s for s in samples if where(s)]
        mute = sum(s.sign in (Sign.SILENT, Sign.OTHERS) for s in chosen)
        total += log_drawn(mute, len(chosen), *(share or sound))
    return total


def _both(one: Where, other: Where) -> Where:
    return lambda sample: one(sample) and other(sample)


def _all(sample: Sample) -> bool:
    return True


def _after_others(sample: Sample) -> bool:
    return sample.condition.after_other and sample.condition.gap_ns < RESYNC_NS


def _alone(sample: Sample) -> bool:
    return not _after_others(sample)


def _shorter(gap_ns: int) -> Where:
    return lambda sample: sample.condition.gap_ns < gap_ns


def _not_shorter(gap_ns: int) -> Where:
    return lambda sample: sample.condition.gap_ns >= gap_ns


def _hypotheses() -> tuple[_Hypothesis, ...]:
    def prior(*habits: str) -> float:
        return sum(_LOG_PRIOR[h] for h in habits) if habits else _LOG_PRIOR_SOUND

    gap, deaf, drops = "minimum-gap", "deaf-after-others", "requests-dropped"
    listed = [
        _Hypothesis((), None, prior(), ((_all, None),)),
        _Hypothesis((drops,), None, prior(drops), ((_all, _DROPS),)),
        _Hypothesis(("device-silent",), None, prior("device-silent"), ((_all, _ABSENT),)),
        _Hypothesis(
            (deaf,), None, prior(deaf), ((_after_others, _DEAF_AFTER_OTHERS), (_alone, None))
        ),
        _Hypothesis(
            (deaf, drops),
            None,
            prior(deaf, drops),
            ((_after_others, _DEAF_AFTER_OTHERS), (_alone, _DROPS)),
        ),
    ]
    contents = GAPS_NS[1:]
    grid = math.log(len(contents))
    for content in contents:
        short, long = _shorter(content), _not_shorter(content)
        listed += [
            _Hypothesis((gap,), content, prior(gap) - grid, ((short, _DEAF), (long, None))),
            _Hypothesis(
                (gap, drops), content, prior(gap, drops) - grid, ((short, _DEAF), (long, _DROPS))
            ),
            _Hypothesis(
                (gap, deaf),
                content,
                prior(gap, deaf) - grid,
                (
                    (short, _DEAF),
                    (_both(long, _after_others), _DEAF_AFTER_OTHERS),
                    (_both(long, _alone), None),
                ),
            ),
        ]
    return tuple(listed)


_HYPOTHESES = _hypotheses()
