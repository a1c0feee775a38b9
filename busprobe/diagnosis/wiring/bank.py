"""Likelihoods of the answers of an input, each computed once and shared by all views of a record.

The responses of all tests of one load are summed; what is summed out then is the angle error and
the ratio of the CT, so that a table over the size of the load is left for each answer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busprobe.diagnosis.wiring.layout import UNDIRECTED, Answer
from busprobe.diagnosis.wiring.responses import (
    SIZE_ONE,
    SIZE_STEP,
    SIZES,
    SKEW_SD_DEG,
    SKEWS_DEG,
    InputResponse,
    SagResponse,
)
from busprobe.diagnosis.wiring.samples import Index, Real

# A CT ratio that was set wrong may be anything; 1 is what is expected. Closer to 1 than this it is
# not told from the uncertainty of the load.
NEAREST_RATIO, FARTHEST_RATIO = 0.16, 2.35
RATIO_ONE_PRIOR = 0.92
# Likelihoods count for a little less than they say: the noise is not quite independent from one
# difference to the next.
TEMPER = 0.9
# Sums of exponentials start from here, so that nothing in reach of a verdict underflows.
HEADROOM = 600.0
LEAST = 1e-300

Tests = tuple[int, ...]
_Key = tuple[tuple[Tests, int, int], ...]


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything the record says.

    Attributes:
        responses: One per input.
        sags: One per input.
        volts: Mean voltage of each input [V], NaN without the register.
        volts_between: Mean voltage between inputs by pair of input numbers [V].
        live: Whether each CT shows any current at all.
        load_w: Expected size of the load [W].
        tolerance: Relative uncertainty of that.
        nominal_v: Nominal voltage [V].
    """

    responses: tuple[InputResponse, ...]
    sags: tuple[SagResponse, ...]
    volts: tuple[float, ...]
    volts_between: dict[tuple[int, int], float]
    live: tuple[bool, ...]
    load_w: float
    tolerance: float
    nominal_v: float


def log_sum_exp(x: Real, axis: int | tuple[int, ...] | None = None) -> Real:
    """Log of a sum of exponentials."""
    top = np.max(x, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        out = np.log(np.exp(x - top).sum(axis=axis, keepdims=True)) + top
    return np.asarray(np.squeeze(out, axis=axis))


@lru_cache(maxsize=16)
def load_grid(tolerance: float) -> tuple[Index, Real]:
    """Sizes of the load in grid steps from its name plate, and their log prior."""
    spread = max(tolerance / 2.0, 0.015)
    reach = min(math.ceil(5.0 * spread / SIZE_STEP), 24)
    steps = np.arange(-reach, reach + 1)
    off = steps * SIZE_STEP / spread
    prior = 0.95 * np.exp(-0.5 * off**2) + 0.05 * np.exp(-0.5 * (off / 2.0) ** 2) / 2.0
    return np.asarray(steps), np.log(prior / prior.sum())


@lru_cache(maxsize=1)
def ratio_steps() -> tuple[tuple[int, float], ...]:
    """Each ratio in grid steps, and its prior; the first one is 1."""
    reach = round(FARTHEST_RATIO / SIZE_STEP)
    others = [s for s in range(-reach, reach + 1, 2) if abs(s) * SIZE_STEP >= NEAREST_RATIO]
    prior = (1.0 - RATIO_ONE_PRIOR) / len(others)
    return ((0, RATIO_ONE_PRIOR), *((s, prior) for s in others))


@lru_cache(maxsize=16)
def _windows(tolerance: float) -> Index:
    """Index of the size [size of the load, ratio]."""
    ratios = np.array([steps for steps, _ in ratio_steps()])
    where = SIZE_ONE + load_grid(tolerance)[0][:, None] + ratios[None, :]
    return np.asarray(np.clip(where, 0, SIZES.size - 1))


@lru_cache(maxsize=16)
def _ratio_kernel(tolerance: float) -> Real:
    """Prior of the ratios as a matrix [size, size of the load]."""
    where = _windows(tolerance)
    out = np.zeros((SIZES.size, where.shape[0]))
    prior = np.array([p for _, p in ratio_steps()])
    np.add.at(out, (where, np.arange(where.shape[0])[:, None]), prior[None, :])
    return out


def _skew_prior() -> Real:
    skew = np.exp(-0.5 * (SKEWS_DEG / SKEW_SD_DEG) ** 2)
    return np.asarray(np.log(skew / skew.sum()))


class ResponseBank:
    """Tables of one record.

    Args:
        evidence: What was seen.
    """

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.load_prior = load_grid(evidence.tolerance)[1]
        self._by_size: dict[tuple[int, _Key], Real] = {}
        self._by_load: dict[tuple[int, _Key], Real] = {}
        self._skew_prior = _skew_prior()

    def by_load(self, k: int, answers: Sequence[Answer], tests: Mapping[str, Tests]) -> Real:
        """Log-likelihood [answer, size of the load], the ratio summed out.

        Args:
            k: The input.
            answers: Its answers.
            tests: Numbers of the tests of each load.
        """
        keys = [self._key(answer, tests) for answer in answers]
        missing = list(dict.fromkeys(key for key in keys if (k, key) not in self._by_load))
        if missing:
            sizes = self._sizes(k, missing)
            top = sizes.max(axis=1, keepdims=True)
            kernel = _ratio_kernel(self.evidence.tolerance)
            summed = np.log(np.exp(sizes - top + HEADROOM) @ kernel + LEAST) + top - HEADROOM
            self._by_load.update(((k, key), row) for key, row in zip(missing, summed, strict=True))
        return np.stack([self._by_load[k, key] for key in keys])

    def by_ratio(self, k: int, answer: Answer, tests: Mapping[str, Tests]) -> Real:
        """Log-likelihood [size of the load, ratio] of one answer."""
        (by_size,) = self._sizes(k, [self._key(answer, tests)])
        return np.asarray(by_size[_windows(self.evidence.tolerance)])

    @staticmethod
    def _key(answer: Answer, tests: Mapping[str, Tests]) -> _Key:
        return tuple((tests[load], turn, shift) for load, turn, shift in answer if tests[load])

    def _sizes(self, k: int, keys: Sequence[_Key]) -> Real:
        """Log-likelihood [answer, size of the response], the angle error summed out."""
        missing = [key for key in keys if (k, key) not in self._by_size]
        if missing:
            sizes = np.stack([self._summed(k, key) for key in missing])
            by_size = log_sum_exp(TEMPER * sizes + self._skew_prior[:, None], axis=1)
            # The gain of meter and CT blurs by about one step of the grid.
            near = np.stack(
                [np.roll(by_size, 1, axis=1), by_size, np.roll(by_size, -1, axis=1)], axis=0
            )
            by_size = log_sum_exp(near + np.log([0.25, 0.5, 0.25])[:, None, None], axis=0)
            self._by_size.update(((k, key), row) for key, row in zip(missing, by_size, strict=True))
        return np.stack([self._by_size[k, key] for key in keys])

    def _summed(self, k: int, key: _Key) -> Real:
        """Log-likelihood [skew, size] of one answer over all its tests."""
        response = self.evidence.responses[k]
        out = np.zeros((SKEWS_DEG.size, SIZES.size))
        for tests, turn, shift in key:
            if turn == UNDIRECTED:
                assert response.current is not None
                part = np.broadcast_to(response.current[list(tests)].sum(axis=0), out.shape)
            else:
                part = response.power[list(tests), turn].sum(axis=0)
            if shift:
                part = part[:, np.clip(np.arange(SIZES.size) + shift, 0, SIZES.size - 1)]
            out = out + part
        return out
