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
# Where the line itself is disturbed, requests are lost on the way to a sound device as well.
_SOUND_DISTURBED = (1.5, 20.0)
_DISTURBED_FROM = 0.06
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
# A rest longer than this after other traffic brings a deaf device back (assumption).
_RESYNC_NS = 600 * MS


@dataclass(frozen=True, slots=True)
class Silence:
    """Why an address misses requests.

    Attributes:
        probabilities: Of "sound" and of each cause, summing to one.
        gap_ns: Shortest silence tried that the device is content with, where it needs one [ns].
    """

    probabilities: dict[str, float]
    gap_ns: int


Where = Callable[[Sample], bool]


def weigh_silence(samples: Sequence[Sample], disturbed: float = 0.0) -> Silence:
    """Weigh the exchanges of one address.

    Args:
        samples: They.
        disturbed: Share of all exchanges of the line with damage or stray bytes.
    """
    sound = _SOUND_DISTURBED if disturbed >= _DISTURBED_FROM else _SOUND
    logs = {
        "sound": _course(samples, [(_all, sound)]),
        "requests-dropped": _course(samples, [(_all, _DROPS)]),
        "device-silent": _course(samples, [(_all, _ABSENT)]),
        "deaf-after-others": _course(
            samples, [(_after_others, _DEAF_AFTER_OTHERS), (_alone, sound)]
        ),
    }
    by_gap = {}
    for content in GAPS_NS[1:]:
        by_gap[content] = _course(
            samples,
            [(_shorter(content), _DEAF), (_not_shorter(content), sound)],
        )
    # A threshold that no request tells from its neighbour counts for nothing more.
    logs["minimum-gap"] = log_sum(list(by_gap.values())) - 1.39
    posterior = {name: _LOG_PRIOR[name] + value for name, value in logs.items()}
    total = log_sum(list(posterior.values()))
    best = max(by_gap, key=lambda g: by_gap[g])
    return Silence({name: math.exp(value - total) for name, value in posterior.items()}, best)


def _course(samples: Sequence[Sample], parts: Sequence[tuple[Where, tuple[float, float]]]) -> float:
    total = 0.0
    for where, (a, b) in parts:
        chosen = [s for s in samples if where(s)]
        mute = sum(s.sign in (Sign.SILENT, Sign.OTHERS) for s in chosen)
        total += log_drawn(mute, len(chosen), a, b)
    return total


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
