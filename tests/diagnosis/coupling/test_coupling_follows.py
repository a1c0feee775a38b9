"""Whether the grid meter sees a generator: drawn sites, and the fit against least squares."""

from __future__ import annotations

import random

import numpy as np
import pytest
from drawn_sites import draw

from busprobe.diagnosis.coupling import Holds, Role, Track, follows
from busprobe.diagnosis.coupling.follow import slope

CODE = {1: None, 0: "generator-not-in-balance", -1: "generator-counts-opposite"}


def test_drawn_sites_get_the_right_answer_or_none() -> None:
    decided = {1: 0, 0: 0, -1: 0}
    for seed in range(150):
        site = draw(seed, 150)
        answer = follows(site.generator, site.grid)
        if answer.holds is Holds.UNDECIDED:
            assert answer.findings == ()
            continue
        decided[site.slope] += 1
        told = answer.findings[0].code if answer.findings else None
        assert told == CODE[site.slope], (seed, site.kind, site.household, answer.text)
        assert (answer.holds is Holds.YES) == (site.slope == 1)
    # A bound that catches a check that says nothing any more: half was measured.
    assert all(count > 12 for count in decided.values()), decided


def noise(seed: int, size: int, spread: float) -> list[float]:
    chance = random.Random(seed)
    return [chance.gauss(0.0, spread) for _ in range(size)]


def test_without_outliers_the_fit_is_that_of_least_squares() -> None:
    # numpy.linalg.lstsq as an independent reference, on the same five-reading averages.
    generator = [1000 + 40 * v for v in noise(1, 200, 10)]
    grid = [0.4 * g + e for g, e in zip(generator, noise(2, 200, 1), strict=True)]
    fit = slope(generator, grid)
    assert fit is not None
    x = np.diff(np.array(generator).reshape(-1, 5).mean(axis=1))
    y = np.diff(np.array(grid).reshape(-1, 5).mean(axis=1))
    (expected,) = np.linalg.lstsq(x[:, None], y, rcond=None)[0]
    assert fit.value == pytest.approx(expected, abs=0.002)
    assert fit.blocks == 40


def test_one_big_switching_does_not_spoil_the_fit() -> None:
    generator = [-3000 + 300 * v for v in noise(3, 200, 1)]
    grid = [g + e for g, e in zip(generator, noise(4, 200, 5), strict=True)]
    switched = [g + (2500 if n > 97 else 0) for n, g in enumerate(grid)]
    fit = slope(generator, switched)
    assert fit is not None
    assert fit.value == pytest.approx(1.0, abs=0.03)


def track(name: str, power: list[float], known: bool = True) -> Track:
    times = tuple(float(n) for n in range(len(power)))
    return Track(name, 1, Role.GENERATION, times, tuple(power), known)


def test_a_generator_that_stands_still_decides_nothing() -> None:
    answer = follows(track("set", [-500.0] * 120), track("grid", noise(5, 120, 200)))
    assert answer.holds is Holds.UNDECIDED
    assert "hardly moved" in answer.text


def test_few_readings_decide_nothing() -> None:
    moving = [-1000.0 * (n % 2) for n in range(30)]
    assert follows(track("set", moving), track("grid", moving)).holds is Holds.UNDECIDED


def test_without_known_signs_only_invisibility_is_a_fault() -> None:
    generator = [-3000 + 300 * v for v in noise(6, 200, 1)]
    opposite = [-g for g in generator]
    answer = follows(track("set", generator, known=False), track("grid", opposite))
    assert answer.holds is Holds.YES
    assert answer.findings == ()
    assert "opposite to each other" in answer.text
    unseen = follows(track("set", generator, known=False), track("grid", noise(7, 200, 3)))
    assert [f.code for f in unseen.findings] == ["generator-not-in-balance"]
