"""Does the grid meter follow a generator?

Both import positive, a generator that gives 1 W more (its meter: 1 W less) makes the grid meter
show 1 W less: slope 1. Slope 0 means that its power does not pass behind the grid meter, slope -1
that one of the two counts the wrong way. The loads of the house are the noise: differences between
short averages make slow ones harmless, and a fit that gives little weight to large residuals makes
single switchings harmless.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.coupling.types import Answer, Holds, Track
from busprobe.model.finding import Evidence

# Meters refresh about once a second and are read one after the other: averages over so many rounds
# make the instants alike.
_BLOCK = 5
_FEWEST_BLOCKS = 8
# The three slopes lie 1 apart. An answer needs the others this many standard errors away, and its
# own within; block differences are neither independent nor normal, hence the inflation. Of 2414
# answers about drawn sites 2 were wrong (tests/benchmarks/bench_coupling.py).
_AWAY = 5.0
_WITHIN = 3.0
_INFLATION = 1.5
# Huber's constant: 95 % efficiency for normal residuals (Huber, Robust Statistics, 1981).
_HUBER = 1.345
_MAD_TO_SIGMA = 1.4826
_ROUNDS = 20
# Meters of class 1 differ by up to 2 % from each other: no slope is known better.
_CLASS_ERROR = 0.02
_PROBABLE = 0.99


@dataclass(frozen=True, slots=True)
class Slope:
    """How much the grid meter changes per watt of the generator's meter.

    Attributes:
        value: Slope [1].
        error: Its standard error [1].
        blocks: Averages that it rests on.
    """

    value: float
    error: float
    blocks: int


def slope(generator_w: Sequence[float], grid_w: Sequence[float]) -> Slope | None:
    """Fit the slope of two meters that were read in the same rounds.

    Args:
        generator_w: Power at the generator's meter [W].
        grid_w: Power at the grid meter [W], one for each of the others.

    Returns:
        None where the readings are too few or the generator never moved.
    """
    xs, ys = _differences(generator_w), _differences(grid_w)
    if len(xs) < _FEWEST_BLOCKS - 1 or not any(xs):
        return None
    weights = [1.0] * len(xs)
    value, scale = 0.0, 0.0
    for _ in range(_ROUNDS):
        total = sum(w * x * x for w, x in zip(weights, xs, strict=True))
        if total == 0:
            return None
        value = sum(w * x * y for w, x, y in zip(weights, xs, ys, strict=True)) / total
        residuals = [y - value * x for x, y in zip(xs, ys, strict=True)]
        scale = _MAD_TO_SIGMA * median(abs(r) for r in residuals)
        if scale == 0:
            break
        weights = [min(1.0, _HUBER * scale / abs(r)) if r else 1.0 for r in residuals]
    total = sum(w * x * x for w, x in zip(weights, xs, strict=True))
    error = math.hypot(_INFLATION * scale / math.sqrt(total), _CLASS_ERROR * abs(value))
    return Slope(value, max(error, 1e-6), len(xs) + 1)


def _differences(values: Sequence[float]) -> list[float]:
    means = [
        sum(values[n : n + _BLOCK]) / _BLOCK for n in range(0, len(values) - _BLOCK + 1, _BLOCK)
    ]
    return [b - a for a, b in pairwise(means)]


def follows(generator: Track, grid: Track) -> Answer:
    """Whether the grid meter follows a generator's meter, read in the same rounds.

    Slope -1 is a fault only where it is known which sign is import at both.
    """
    rounds = min(len(generator.p_w), len(grid.p_w))
    fit = slope(generator.p_w[:rounds], grid.p_w[:rounds])
    if fit is None:
        return Answer(
            Holds.UNDECIDED, f"{rounds} rounds of readings, and the generator hardly moved"
        )
    evidence = (
        Evidence(
            None,
            f"grid meter against {generator.name}: {fit.value:+.2f} W per W, standard error "
            f"{fit.error:.2f}, from {fit.blocks} averages over {_BLOCK} readings",
        ),
    )
    fitting = [
        candidate
        for candidate in (1, 0, -1)
        if abs(fit.value - candidate) <= _WITHIN * fit.error + _CLASS_ERROR
    ]
    others_away = all(
        abs(fit.value - candidate) > _AWAY * fit.error
        for candidate in (1, 0, -1)
        if candidate not in fitting
    )
    if len(fitting) != 1 or not others_away:
        text = f"slope {fit.value:+.2f}, standard error {fit.error:.2f}: watch longer, or start "
        return Answer(Holds.UNDECIDED, f"{text}and stop the generator meanwhile", (), evidence)
    facts = {"slope": f"{fit.value:+.2f}", "error": f"{fit.error:.2f}", "name": generator.name}
    if fitting[0] == 0:
        told = finding(
            "generator-not-in-balance",
            probability=_PROBABLE,
            evidence=evidence,
            address=generator.address,
            **facts,
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    signs_known = generator.sign_known and grid.sign_known
    if fitting[0] == 1 and signs_known:
        return Answer(Holds.YES, f"slope {fit.value:+.2f}", (), evidence)
    if signs_known:
        told = finding(
            "generator-counts-opposite",
            probability=_PROBABLE,
            evidence=evidence,
            address=generator.address,
            **facts,
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    alike = "alike" if fitting[0] == 1 else "opposite to each other"
    text = f"the grid meter follows it; the two sign {alike}, which of them is import is not known"
    return Answer(Holds.YES, text, (), evidence)
