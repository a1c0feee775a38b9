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

_LOG_PRIOR = {
    "sound": -0.13,
    "requests-dropped": -3.9,
    "minimum-gap": -3.5,
    "deaf-after-others": -4.2,
    "device-silent": -3.0,
}
_AS_GOOD = 1.5
# A rest longer than this after other traffic brings a deaf device back (assumption).
_RESYNC_NS = 600 * MS


@dataclass(frozen=True, slots=True)
class Silence:
    """Why an address misses requests.

    Attributes:
        probabilities: Of "sound" and of each cause; two may hold at once.
        gap_ns: Shortest silence tried that the device is content with, where it needs one [ns].
    """

    probabilities: dict[str, float]
    gap_ns: int


Where = Callable[[Sample], bool]


def weigh_silence(samples: Sequence[Sample], elsewhere: tuple[int, int] | None = None) -> Silence:
    """Weigh the exchanges of one address.

    Args:
        samples: They.
        elsewhere: Missed and all requests of another device on the same line, where the line is
            disturbed: what the disturbance itself swallows.
    """
    sound = _SOUND
    if elsewhere is not None:
        missed, total = elsewhere
        a, b = _SOUND_DISTURBED
        # Devices differ in place and length of their answers: half a vote.
        sound = a + 0.5 * missed, b + 0.5 * (total - missed)
    logs = {
        "sound": _course(samples, [(_all, sound)]),
        "requests-dropped": _course(samples, [(_all, _DROPS)]),
        "device-silent": _course(samples, [(_all, _ABSENT)]),
        "deaf-after-others": _course(
            samples, [(_after_others, _DEAF_AFTER_OTHERS), (_alone, sound)]
        ),
    }
    by_gap = {
        gap: _course(samples, [(_shorter(gap), _DEAF), (_not_shorter(gap), sound)])
        for gap in GAPS_NS[1:]
    }
    grid = math.log(len(by_gap))
    logs["minimum-gap"] = log_sum(list(by_gap.values())) - grid
    posterior = {name: _LOG_PRIOR[name] + value for name, value in logs.items()}
    # Two habits of one device.
    both = {
        ("minimum-gap", "deaf-after-others"): [
            _course(
                samples,
                [
                    (_shorter(g), _DEAF),
                    (_both(_not_shorter(g), _after_others), _DEAF_AFTER_OTHERS),
                    (_both(_not_shorter(g), _alone), sound),
                ],
            )
            for g in GAPS_NS[1:]
        ],
        ("minimum-gap", "requests-dropped"): [
            _course(samples, [(_shorter(g), _DEAF), (_not_shorter(g), _DROPS)]) for g in GAPS_NS[1:]
        ],
        ("deaf-after-others", "requests-dropped"): [
            _course(samples, [(_after_others, _DEAF_AFTER_OTHERS), (_alone, _DROPS)])
        ],
    }
    pairs = {
        pair: _LOG_PRIOR[pair[0]] + _LOG_PRIOR[pair[1]] + log_sum(values) - math.log(len(values))
        for pair, values in both.items()
    }
    all_in = log_sum([*posterior.values(), *pairs.values()])
    probabilities = {name: math.exp(value - all_in) for name, value in posterior.items()}
    for pair, log_both in pairs.items():
        for name in pair:
            probabilities[name] += math.exp(log_both - all_in)
    by_content = {
        gap: log_sum(
            [
                by_gap[gap] - grid + _LOG_PRIOR["minimum-gap"],
                *(
                    values[n] - grid + _LOG_PRIOR[pair[0]] + _LOG_PRIOR[pair[1]]
                    for pair, values in both.items()
                    if pair[0] == "minimum-gap"
                ),
            ]
        )
        for n, gap in enumerate(GAPS_NS[1:])
    }
    # The shortest that explains as much: what no request told apart is asked next.
    best = max(by_content.values())
    content = min(gap for gap, value in by_content.items() if value > best - _AS_GOOD)
    return Silence(probabilities, content)


def _course(samples: Sequence[Sample], parts: Sequence[tuple[Where, tuple[float, float]]]) -> float:
    total = 0.0
    for where, (a, b) in parts:
        chosen = [s for s in samples if where(s)]
        mute = sum(s.sign in (Sign.SILENT, Sign.OTHERS) for s in chosen)
        total += log_drawn(mute, len(chosen), a, b)
    return total


def _both(one: Where, other: Where) -> Where:
    return lambda sample: one(sample) and other(sample)


def _all(sample: Sample) -> bool:
    return True


def _after_others(sample: Sample) -> bool:
    return sample.condition.after_other and sample.condition.gap_ns < _RESYNC_NS


def _alone(sample: Sample) -> bool:
    return not _after_others(sample)


def _shorter(gap_ns: int) -> Where:
    return lambda sample: sample.condition.gap_ns < gap_ns


def _not_shorter(gap_ns: int) -> Where:
    return lambda sample: sample.condition.gap_ns >= gap_ns
