"""The numbers behind the balance against independent computations with scipy."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from busprobe.diagnosis.balance import MeterRole, Role, Sign, diagnose_balance
from busprobe.diagnosis.balance.likelihood import (
    FREEDOMS,
    KERNEL_W,
    SCALES_W,
    Habits,
    fit_slope,
    log_marginal,
    log_sum,
)
from busprobe.diagnosis.balance.tracks import lay
from busprobe.model.series import Series


def test_the_marginal_likelihood_is_that_of_scipys_student_t() -> None:
    rng = np.random.default_rng(1)
    rest = stats.t.rvs(2.0, scale=20.0, size=(3, 12), random_state=rng)
    error = rng.uniform(0.0, 30.0, rest.shape)
    for row in range(3):
        each = [
            stats.t.logpdf(rest[row], freedom, scale=np.hypot(scale, error[row])).sum()
            for freedom in FREEDOMS
            for scale in SCALES_W
        ]
        expected = float(np.logaddexp.reduce(each)) - np.log(len(each))
        assert log_marginal(rest, error)[row] == pytest.approx(expected, rel=1e-9)


def test_the_density_of_a_houses_habits_is_scipys_kernel_density() -> None:
    rng = np.random.default_rng(6)
    seen = np.concatenate([rng.normal(0.0, 8.0, 40), rng.normal(900.0, 20.0, 6)])
    both = np.concatenate([seen, -seen])
    kernel = stats.gaussian_kde(both, bw_method=KERNEL_W / both.std(ddof=1))
    habits = Habits(seen, np.array([True] * 5))
    asked = np.array([[0.0, 30.0, -880.0, 905.0, 450.0]])
    told = habits.log_density(asked, np.zeros_like(asked))
    assert told[0] == pytest.approx(kernel.logpdf(asked[0]), rel=1e-6)


def test_habits_are_mixed_with_scipys_student_t() -> None:
    rng = np.random.default_rng(7)
    rest = rng.normal(0.0, 60.0, (2, 7))
    error = rng.uniform(0.0, 9.0, rest.shape)
    judged = np.array([True, False, True, False, False, True, False])
    habits = Habits(rng.normal(0.0, 40.0, 30), judged)
    a = habits.share
    assert 0.0 < a < 1.0
    for row in range(2):
        known = np.exp(habits.log_density(rest[row : row + 1], error[row : row + 1])[0])
        each = []
        for freedom in FREEDOMS:
            for scale in SCALES_W:
                new = stats.t.pdf(rest[row], freedom, scale=np.hypot(scale, error[row]))
                each.append(np.log(np.where(judged, a * known + (1 - a) * new, new)).sum())
        expected = float(np.logaddexp.reduce(each)) - np.log(len(each))
        assert log_marginal(rest, error, habits)[row] == pytest.approx(expected, rel=1e-9)


def test_too_few_habits_change_nothing() -> None:
    rest = np.array([[3.0, 500.0, -7.0]])
    few = Habits(np.array([1.0, -2.0]), np.array([True, True, False]))
    assert log_marginal(rest, np.ones_like(rest), few) == log_marginal(rest, np.ones_like(rest))


def test_missing_readings_say_nothing() -> None:
    rest = np.array([[3.0, np.nan, -7.0]])
    error = np.array([[1.0, np.nan, 2.0]])
    whole = log_marginal(rest[:, [0, 2]], error[:, [0, 2]])
    assert log_marginal(rest, error)[0] == pytest.approx(whole[0])


def test_the_slope_is_the_maximum_that_scipy_finds() -> None:
    rng = np.random.default_rng(2)
    x = rng.normal(0.0, 800.0, 120)
    y = -0.5 * x + stats.t.rvs(2.0, scale=40.0, size=120, random_state=rng)
    found = fit_slope(x, y)
    assert found is not None

    def cost(parameters: np.ndarray) -> float:
        slope, log_scale = parameters
        return -float(stats.t.logpdf(y - slope * x, 2.0, scale=np.exp(log_scale)).sum())

    best = optimize.minimize(cost, (0.0, 4.0), method="Nelder-Mead", options={"xatol": 1e-8})
    assert found[0] == pytest.approx(best.x[0], abs=1e-4)


def test_the_standard_error_covers_as_it_says() -> None:
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(400):
        x = rng.normal(0.0, 500.0, 60)
        y = 2.0 * x + stats.t.rvs(2.0, scale=60.0, size=60, random_state=rng)
        found = fit_slope(x, y)
        assert found is not None
        inside += abs(found[0] - 2.0) < 1.96 * found[1]
    # 95 % nominal; the information of 60 points is not yet the asymptotic one.
    assert 0.90 < inside / 400 < 0.98


def test_nothing_that_moves_has_no_slope() -> None:
    assert fit_slope(np.zeros(20), np.arange(20.0)) is None


@given(st.lists(st.floats(-700, 700), min_size=1, max_size=30))
def test_log_sum_is_numpys(values: list[float]) -> None:
    array = np.array(values)
    assert log_sum(array) == pytest.approx(float(np.logaddexp.reduce(array)))


def test_block_means_are_the_integral_of_the_straight_lines() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0.0, 61.0, 0.8) + rng.uniform(0.0, 0.7, 77)
    v = rng.normal(0.0, 1000.0, t.size)
    series = Series(tuple(t), {"P_L1": tuple(v)})
    roles = {"grid": MeterRole.usual(Role.GRID), "gen": MeterRole.usual(Role.GENERATOR)}
    site = lay({"grid": series, "gen": series}, roles, "grid")
    assert site is not None
    for middle, value in zip(site.t_s, site.grid.power[0], strict=True):
        low, high = middle - site.block_s / 2, middle + site.block_s / 2
        points = t[(t > low) & (t < high)]
        exact, _ = integrate.quad(
            lambda at: float(np.interp(at, t, v)), low, high, points=points, limit=200
        )
        assert value == pytest.approx(exact / site.block_s, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    st.integers(0, 2**31),
    st.sampled_from([0.5, 1.0, 2.0, -1.0]),
)
def test_the_estimate_agrees_with_ordinary_least_squares_where_nothing_disturbs(
    seed: int, shown: float
) -> None:
    """Without outliers every regression finds the same slope (scipy.stats.linregress)."""
    rng = np.random.default_rng(seed)
    t = np.arange(0.0, 240.0, 1.0)
    sun = 3000.0 + 1500.0 * np.sin(t / 9.0 + rng.uniform(0, 6)) + np.cumsum(rng.normal(0, 20, 240))
    house = 6000.0 + rng.normal(0.0, 15.0, 240)
    grid = Series(tuple(t), {"P_L1": tuple(house - sun)})
    gen = Series(tuple(t), {"P_L1": tuple(shown * sun)})
    roles = {"grid": MeterRole.usual(Role.GRID), "gen": MeterRole.usual(Role.GENERATOR)}
    found = diagnose_balance({"grid": grid, "gen": gen}, roles).meter("gen").inputs[0]
    straight = stats.linregress(shown * sun, house - sun)
    assert found.estimate is not None
    assert found.estimate == pytest.approx(-1.0 / straight.slope, rel=0.02)
    assert found.estimate == pytest.approx(shown, rel=0.02)


def test_a_source_that_hardly_moves_has_no_estimate() -> None:
    """The inverse of a slope that is mostly noise would look like a small ratio, well known."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 120.0, 1.0)
    roles = {"grid": MeterRole.usual(Role.GRID), "gen": MeterRole.usual(Role.GENERATOR)}
    told = 0
    for _ in range(30):
        sun = 4000.0 + rng.normal(0.0, 2.0, t.size)
        house = 900.0 + np.cumsum(rng.normal(0.0, 15.0, t.size))
        series = {
            "grid": Series(tuple(t), {"P_L1": tuple(house - sun)}),
            "gen": Series(tuple(t), {"P_L1": tuple(-sun)}),
        }
        found = diagnose_balance(series, roles)
        told += found.meter("gen").inputs[0].estimate is not None
        assert found.meter("gen").sign is not Sign.RIGHT
        assert not any("none of the usual ratios" in text for text in found.not_identifiable)
    assert told <= 2
