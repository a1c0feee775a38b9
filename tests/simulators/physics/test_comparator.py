"""The comparator against a plain loop, and its noise against the normal distribution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from busprobe_sim.physics.chance import array_stream, stream
from busprobe_sim.physics.receiver import Comparator, classic, compare, failsafe
from busprobe_sim.physics.waveform import beyond_common_mode


def run(volts: list[float], comparator: Comparator, initial: int) -> list[int]:
    times = np.arange(len(volts), dtype=np.float64)
    _, levels = compare(
        times,
        np.array(volts),
        float(len(volts)),
        comparator,
        initial,
        array_stream(1, "test"),
        sample_ns=1.0,
    )
    return [int(level) for level in levels]


@given(
    st.lists(st.sampled_from([-2.0, -0.15, -0.1, -0.05, 0.0, 0.03, 0.1, 0.3]), min_size=1),
    st.sampled_from([failsafe(noise_rms_v=0.0), classic(noise_rms_v=0.0)]),
    st.integers(0, 1),
)
def test_thresholds_and_memory(volts: list[float], comparator: Comparator, initial: int) -> None:
    level, expected = initial, []
    for volt in volts:
        if volt >= comparator.high_v:
            level = 1
        elif volt <= comparator.low_v:
            level = 0
        expected.append(level)
    assert run(volts, comparator, initial) == expected


def test_failsafe_reads_an_undriven_pair_as_1_and_classic_keeps_its_level() -> None:
    assert run([0.0], failsafe(-0.05), 0) == [1]
    assert run([0.0], classic(), 0) == [0]
    assert run([0.0], classic(), 1) == [1]
    # TIA/EIA-485-A: +200 mV reads 1 and -200 mV reads 0, whatever the part.
    for comparator in (failsafe(-0.130), failsafe(-0.050), classic(-0.060), classic(0.060)):
        assert comparator.decide(0.2) == 1
        assert comparator.decide(-0.2) == -1


@pytest.mark.parametrize("distance_sigma", [0.0, 0.5, 1.0, 2.0])
def test_share_of_samples_that_noise_flips(distance_sigma: float) -> None:
    # A comparator without hysteresis follows the normal distribution (scipy).
    comparator = Comparator(0.0, 0.0, 0.010)
    _, levels = compare(
        np.array([0.0]),
        np.array([distance_sigma * 0.010]),
        40_000.0,
        comparator,
        1,
        array_stream(2, "noise"),
        sample_ns=1.0,
    )
    assert len(levels) == 40_000
    assert 1.0 - levels.mean() == pytest.approx(norm.sf(distance_sigma), abs=0.01)


def test_noise_is_drawn_only_where_it_can_matter() -> None:
    times, levels = compare(
        np.array([0.0, 100.0, 200.0]),
        np.array([2.0, -0.10, -2.0]),
        300.0,
        failsafe(),
        1,
        array_stream(3, "noise"),
        sample_ns=1.0,
    )
    assert len(times) == 102
    assert (levels[0], levels[-1]) == (1, 0)


@given(st.floats(-12, 12), st.floats(0, 20), st.sampled_from([50.0, 60.0]), st.floats(0, 1e9))
def test_ground_difference_beyond_the_limit(
    offset: float, amplitude: float, frequency: float, begin: float
) -> None:
    end = begin + 40e6
    windows = beyond_common_mode(offset, amplitude, frequency, 7.0, begin, end)
    times = np.linspace(begin, end, 400)
    volts = offset + amplitude * np.sin(2 * math.pi * frequency * times / 1e9)
    clear = np.abs(np.abs(volts) - 7.0) > 1e-3
    assert (windows.at(times)[clear] == (np.abs(volts) > 7.0)[clear]).all()


def test_streams_of_chance_are_independent_and_repeatable() -> None:
    assert stream(1, "a").random() == stream(1, "a").random()
    assert stream(1, "a").random() != stream(1, "b").random()
    assert stream(1, "a").random() != stream(2, "a").random()
    one, other = (array_stream(1, name).standard_normal(20_000) for name in ("a", "b"))
    assert abs(float(np.corrcoef(one, other)[0, 1])) < 0.03
