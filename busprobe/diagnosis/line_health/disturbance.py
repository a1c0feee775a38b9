"""Noise, an idle line that floats, a level near the threshold: weighed together.

Bursts from outside hit frames and the idle line alike; a line without bias is disturbed while
nobody drives it, by low pulses (00 80 C0 ... FF), and its driven frames are sound; a level near the
threshold damages frames and leaves the idle line alone. Hits are Poisson in the time exposed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.diagnosis.cut_answers import PULSES
from busprobe.diagnosis.line_health.rates import log_drawn, log_sum
from busprobe.diagnosis.line_health.signs import Sample, Sign

# Hits per second: unknown over three decades.
_RATES = (0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 40.0)
# Beside a floating line, fewer hits than this go unnoticed.
_RATES_SEEN = _RATES[3:]
_NONE = 2e-3
# More hits than this say no more: bursts come in swarms, and the rates above are a coarse grid.
_MOST_HITS = 60
# Of the bursts that fall on the idle line, the share that is heard at all (half of them push it
# further into the 1); of those that fall on a frame, the share that damages it (assumptions).
_HEARD_IDLE = (0.2, 0.35, 0.5, 0.7, 1.0)
_DAMAGING = 0.85
# A floating line harms a frame only at its very start, and some lines hardly ever.
_FLOAT_ON_FRAMES = (0.001, 0.01, 0.03)
# Share of the runs that hold nothing but low pulses: how long a burst lasts against a character is
# unknown (Beta priors, assumptions).
_PULSES_FLOATING = (8.0, 0.8)
_PULSES_NOISE = (2.0, 2.0)
_PULSES_BOTH = (3.0, 1.5)
_LOG_PRIOR = {"none": -0.2, "noise": -2.6, "floating": -2.6, "level": -3.5, "both": -5.0}


@dataclass(frozen=True, slots=True)
class Exposure:
    """What was hit, and how long it could be.

    Attributes:
        frames: Damaged answers.
        frame_s: Time in which answers were on the line [s].
        idle: Runs of stray bytes while nobody drove.
        idle_s: Time in which nobody drove and we listened [s].
        pulses: Of those runs, how many held nothing but low pulses.
    """

    frames: int
    frame_s: float
    idle: int
    idle_s: float
    pulses: int

    def __add__(self, other: Exposure) -> Exposure:
        return Exposure(
            self.frames + other.frames,
            self.frame_s + other.frame_s,
            self.idle + other.idle,
            self.idle_s + other.idle_s,
            self.pulses + other.pulses,
        )


NOTHING = Exposure(0, 0.0, 0, 0.0, 0)


def exposure(
    samples: Sequence[Sample], character_s: float, shortest: int = 1, longest: int | None = None
) -> Exposure:
    """Count the hits of some exchanges; runs of fewer or more bytes than told are left out."""
    damaged = sum(s.sign is Sign.DAMAGED for s in samples)
    frame_s = sum(s.characters for s in samples if s.sign is not Sign.SILENT) * character_s
    runs = [r for s in samples for r in (*s.idle, s.before, s.after) if r]
    runs = [r for r in runs if shortest <= len(r) <= (longest or len(r))]
    return Exposure(
        damaged,
        frame_s,
        len(runs),
        sum(s.idle_ns for s in samples) / 1e9,
        sum(set(r) <= PULSES for r in runs),
    )


def weigh_disturbance(seen: Exposure, *, crossing: bool = False) -> dict[str, float]:
    """Probability of "none", "noise", "floating", "level" and "both" (noise and floating).

    Args:
        seen: What was hit.
        crossing: Whether answers cross on this line: then damage to answers alone tells nothing
            about levels.
    """
    seen = _tempered(seen)
    even = 1 / len(_RATES)
    noise, floating, level, both = [], [], [], []
    for rate in _RATES:
        base = math.log(even)
        for heard in _HEARD_IDLE:
            noise.append(
                base
                - math.log(len(_HEARD_IDLE))
                + _poisson(seen.frames, rate * _DAMAGING * seen.frame_s)
                + _poisson(seen.idle, rate * heard * seen.idle_s)
            )
        floating += [
            base
            - math.log(len(_FLOAT_ON_FRAMES))
            + _poisson(seen.frames, (share * rate + _NONE) * seen.frame_s)
            + _poisson(seen.idle, rate * seen.idle_s)
            for share in _FLOAT_ON_FRAMES
        ]
        level.append(
            base
            + _poisson(seen.frames, rate * seen.frame_s)
            + _poisson(seen.idle, _NONE * seen.idle_s)
        )
        for other in _RATES_SEEN:
            both.append(
                base
                - math.log(len(_RATES_SEEN))
                + _poisson(seen.frames, other * _DAMAGING * seen.frame_s)
                + _poisson(seen.idle, (rate + 0.6 * other) * seen.idle_s)
            )
    as_noise = log_drawn(seen.pulses, seen.idle, *_PULSES_NOISE)
    as_floating = log_drawn(seen.pulses, seen.idle, *_PULSES_FLOATING)
    mixed = log_drawn(seen.pulses, seen.idle, *_PULSES_BOTH)
    logs = {
        "none": _poisson(seen.frames, _NONE * seen.frame_s)
        + _poisson(seen.idle, _NONE * seen.idle_s)
        + as_noise,
        "noise": log_sum(noise) + as_noise,
        "floating": log_sum(floating) + as_floating,
        "level": log_sum(level) + as_noise,
        "both": log_sum(both) + mixed,
    }
    if crossing:
        logs["none"] = log_sum([logs["none"], logs["level"]])
        del logs["level"]
    posterior = {name: value + _LOG_PRIOR[name] for name, value in logs.items()}
    total = log_sum(list(posterior.values()))
    return {"level": 0.0} | {name: math.exp(value - total) for name, value in posterior.items()}


def _tempered(seen: Exposure) -> Exposure:
    """The same rates from fewer hits, where there were many."""
    frames = min(1.0, _MOST_HITS / max(1, seen.frames))
    idle = min(1.0, _MOST_HITS / max(1, seen.idle))
    return Exposure(
        round(frames * seen.frames),
        frames * seen.frame_s,
        round(idle * seen.idle),
        idle * seen.idle_s,
        round(idle * seen.pulses),
    )


def _poisson(count: int, mean: float) -> float:
    mean = max(mean, 1e-9)
    return count * math.log(mean) - mean - math.lgamma(count + 1)
