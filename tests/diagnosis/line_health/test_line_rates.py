"""Intervals and likelihoods of counts, against scipy."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from busprobe.diagnosis.line_health import rates

COUNTS = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(COUNTS)
def test_intervals_agree_with_scipy(counts: tuple[int, int]) -> None:
    bad, total = counts
    found = stats.binomtest(bad, total)
    for method, ours in (("wilson", rates.wilson), ("exact", rates.clopper_pearson)):
        expected = found.proportion_ci(0.95, method)
        low, high = ours(bad, total)
        assert low == pytest.approx(expected.low, abs=2e-7)
        assert high == pytest.approx(expected.high, abs=2e-7)


def test_nothing_counted_tells_nothing() -> None:
    assert rates.wilson(0, 0) == rates.clopper_pearson(0, 0) == (0.0, 1.0)


def test_rule_of_three() -> None:
    # No error in n: at most about 3.7/n at the upper end of a two-sided 95 % interval.
    assert rates.clopper_pearson(0, 1000)[1] == pytest.approx(3.689 / 1000, rel=2e-3)


@given(COUNTS, st.floats(0.2, 20.0), st.floats(0.2, 200.0))
def test_drawn_share_is_the_beta_binomial(counts: tuple[int, int], a: float, b: float) -> None:
    bad, total = counts
    ways = stats.binom.logpmf(bad, total, 0.5) + total * 0.6931471805599453
    expected = stats.betabinom.logpmf(bad, total, a, b) - ways
    assert rates.log_drawn(bad, total, a, b) == pytest.approx(expected, abs=1e-5, rel=1e-6)


@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=50), st.floats(0, 1))
def test_percentiles_agree_with_numpy(values: list[float], share: float) -> None:
    import numpy as np

    ours = rates.percentile(sorted(values), share)
    assert ours == pytest.approx(float(np.percentile(values, 100 * share)), rel=1e-9, abs=1e-9)
