"""How well each input's steps at the switchings fit any response: tables of log-likelihood ratios.

For each edge all differences that could hold the switching are looked at; the likelihood ratio is
the mean over them of ``f(d - A) / f(d)``, with f the density of the input's own differences
without switching. One response A holds for all edges of a test and for all tests: that is what
tells a heater from a hob of about its size.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.wiring.density import StepDensity, core_scale
from busprobe.diagnosis.wiring.edges import Schedule, quiet_pairs
from busprobe.diagnosis.wiring.samples import Index, InputSamples, Real, Samples

# Grid of the size of a response relative to the load: 22 steps per factor sqrt(3), so that a
# line-to-line voltage is a whole number of steps.
STEPS_PER_SQRT3 = 22
SIZE_STEP = 0.5 * math.log(3.0) / STEPS_PER_SQRT3
SIZE_REACH = 2.6
SIZES = np.exp(
    SIZE_STEP * np.arange(-round(SIZE_REACH / SIZE_STEP), round(SIZE_REACH / SIZE_STEP) + 1)
)
SIZE_ONE = (SIZES.size - 1) // 2
# Angle errors of CT and load around the exact direction: 60' to some degrees for a class 1 CT, by
# current (IEC 61869-2).
SKEWS_DEG = np.array([-5.0, -2.5, 0.0, 2.5, 5.0])
SKEW_SD_DEG = 2.5
# A switching that did not happen, or was hidden by something else.
MISSED = 0.02
MISSED_VOLTAGE = 0.1
# Relative width of a response: load, gain and grid.
RESPONSE_WIDTH = 0.1

# Sizes from which a response counts as wider: by factors of two.
WIDER_FROM = (1.5, 3.0, 6.0)

# Changes of a voltage that are looked up [V]: dense near zero.
SAG_CHANGES = np.sinh(np.linspace(-7.0, 7.0, 281)) / 25.0


@dataclass(frozen=True, slots=True)
class InputResponse:
    """Log-likelihood ratios of one input.

    Attributes:
        power: [test, direction, skew, size], against "no response".
        current: [test, size] from the current register, direction unknown; None without it.
        directions: Number of directions in a full turn.
    """

    power: Real
    current: Real | None
    directions: int


def _log_mean_exp(x: Real) -> Real:
    """Log of the mean of exponentials over the first axis."""
    top = x.max(axis=0)
    return np.asarray(top + np.log(np.exp(x - top).mean(axis=0)))


def _robust(x: Real, missed: float) -> Real:
    """Mix in the chance that the edge shows nothing of the load."""
    return np.logaddexp(math.log1p(-missed) + x, math.log(missed))


def input_response(
    samples: Samples,
    one: InputSamples,
    schedule: Schedule,
    power_w: float,
    volts: float,
    *,
    directions: int,
) -> InputResponse:
    """Fill the tables of one input.

    Args:
        samples: The record.
        one: The input.
        schedule: The switchings.
        power_w: Size of the response at ratio 1 [W].
        volts: Nominal voltage [V], for the current register.
        directions: 6 or 12 directions of the response in a full turn.
    """
    quiet = quiet_pairs(samples, schedule)
    d = samples.power_differences(one)
    beyond = _beyond(samples, one)
    views = [
        _View(d, quiet, one.power_step, power_w),
        _View(beyond, _surely(quiet), one.power_step, power_w),
    ]
    turn = np.exp(1j * np.radians(360.0 / directions * np.arange(directions)))
    skew = np.exp(1j * np.radians(SKEWS_DEG))
    response = power_w * turn[:, None, None] * skew[None, :, None] * SIZES[None, None, :]
    if not one.has_q:
        response = response.real
    # Looked up in cells of some per cent: single precision is enough, and several times faster.
    shape = response.astype(np.complex64 if one.has_q else np.float32)
    table = np.zeros((len(schedule.announced), directions, SKEWS_DEG.size, SIZES.size))
    for edge in schedule.edges:
        pairs = edge.pairs[np.isfinite(d[edge.pairs])]
        if pairs.size:
            sign = np.float32(1.0 if edge.on else -1.0)
            ratio = np.mean([view.log_ratio(pairs, sign * shape) for view in views], axis=0)
            table[edge.test] += _robust(_log_mean_exp(ratio), MISSED)
    return InputResponse(
        table, _current_table(samples, one, schedule, quiet, power_w / volts), directions
    )


def _current_table(
    samples: Samples,
    one: InputSamples,
    schedule: Schedule,
    quiet: np.ndarray[tuple[int], np.dtype[np.bool_]],
    amps: float,
) -> Real | None:
    """Evidence of the unsigned current register: up on a consuming phase, down on a feeding one."""
    d = samples.differences(one.amps)
    if not np.isfinite(d).any():
        return None
    seen = d[quiet]
    scale = core_scale(seen, 0.01, 0.02)
    plain = StepDensity(seen, scale, 200.0)
    fuzzy = StepDensity(seen, math.hypot(scale, 0.2 * amps), 200.0)
    table = np.zeros((len(schedule.announced), SIZES.size))
    for edge in schedule.edges:
        steps = d[edge.pairs]
        steps = steps[np.isfinite(steps)]
        if not steps.size:
            continue
        sign = 1.0 if edge.on else -1.0
        up = fuzzy.looked_up(steps[:, None] - sign * amps * SIZES)
        down = fuzzy.looked_up(steps[:, None] + sign * amps * SIZES)
        ratio = (
            np.logaddexp(math.log(0.8) + up, math.log(0.2) + down) - plain.looked_up(steps)[:, None]
        )
        table[edge.test] += _robust(_log_mean_exp(ratio), MISSED)
    return table


class _View:
    """Densities of one kind of differences, with and without a response.

    Args:
        differences: One for each instant; NaN where a reading is missing.
        quiet: Which of them hold no switching of the load.
        step: Register step [W].
        power_w: Size of the response at ratio 1 [W].
    """

    def __init__(
        self,
        differences: NDArray[np.inexact],
        quiet: NDArray[np.bool_],
        step: float,
        power_w: float,
    ) -> None:
        seen = differences[quiet]
        scale = core_scale(seen, step, 3.0)
        self._differences = differences
        self._plain = StepDensity(seen, scale)
        # The response itself is not sharp, and a large one is as uncertain as it is large: what is
        # left of a difference is looked up in a density that is no narrower than that.
        self._fuzzy = [
            (part, StepDensity(seen, math.hypot(scale, RESPONSE_WIDTH * power_w * wide)))
            for part, wide in _width_bands()
        ]

    def log_ratio(self, pairs: Index, responses: NDArray[np.inexact]) -> Real:
        """Log-likelihood ratio [instant, *responses] of a response against none."""
        d = self._differences[pairs]
        missing = ~np.isfinite(d)
        d = np.where(missing, 0.0, d).astype(responses.dtype)
        none = np.expand_dims(self._plain.looked_up(d), tuple(range(1, responses.ndim + 1)))
        out = np.empty((d.size, *responses.shape))
        for part, density in self._fuzzy:
            rest = np.expand_dims(d, tuple(range(1, responses.ndim + 1))) - responses[..., part]
            out[..., part] = density.looked_up(rest) - none
        out[missing] = 0.0
        return out


def _beyond(samples: Samples, one: InputSamples) -> NDArray[np.inexact]:
    """Differences of an input with one row more on both sides.

    P and Q are renewed at different instants. A difference that holds only one of them looks like
    a load of another angle; one row further on the other one is there as well.
    """
    power, lag = one.power, samples.lag
    out = np.full(power.size - lag, np.nan, dtype=complex)
    out[1:-1] = power[lag + 2 :] - power[: -lag - 2]
    # Across a gap nothing is compared.
    out[~np.isfinite(samples.differences(power))] = np.nan
    return out if one.has_q else out.real


def _surely(quiet: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Quiet, and quiet one row before and after."""
    out = quiet.copy()
    out[1:] &= quiet[:-1]
    out[:-1] &= quiet[1:]
    return out


@lru_cache(maxsize=1)
def _width_bands() -> tuple[tuple[slice, float], ...]:
    """Ranges of the sizes, and by how much a response there is wider than one of size 1."""
    edges = [0, *np.searchsorted(SIZES, WIDER_FROM).tolist(), SIZES.size]
    parts = [slice(int(a), int(b)) for a, b in pairwise(edges)]
    middle = [1.0, *(math.sqrt(SIZES[p.start] * SIZES[p.stop - 1]) for p in parts[1:])]
    return tuple(zip(parts, middle, strict=True))


class SagResponse:
    """Log-likelihood ratios of one voltage register, by predicted change.

    Args:
        samples: The record.
        one: The input.
        schedule: The switchings.
    """

    def __init__(self, samples: Samples, one: InputSamples, schedule: Schedule) -> None:
        quiet = quiet_pairs(samples, schedule)
        d = samples.differences(one.volts)
        self.usable = bool(np.isfinite(d[quiet]).sum() > 5) and one.volt_step <= 0.2
        if not self.usable:
            return
        scale = core_scale(d[quiet], one.volt_step, 0.1)
        plain = StepDensity(d[quiet], scale, 400.0)
        self._table = np.zeros((len(schedule.announced), SAG_CHANGES.size))
        for edge in schedule.edges:
            steps = d[edge.pairs]
            steps = steps[np.isfinite(steps)]
            if not steps.size:
                continue
            sign = 1.0 if edge.on else -1.0
            ratio = (
                plain.looked_up(steps[:, None] - sign * SAG_CHANGES)
                - plain.looked_up(steps)[:, None]
            )
            self._table[edge.test] += _robust(_log_mean_exp(ratio), MISSED_VOLTAGE)

    def log_ratio(self, tests: Sequence[int], change: Real) -> Real:
        """Log-likelihood ratio of predicted changes at switching on [V], against none.

        Args:
            tests: Numbers of the tests of one load.
            change: Predicted changes, any shape.
        """
        return np.asarray(np.interp(change, SAG_CHANGES, self._table[list(tests)].sum(axis=0)))
