"""The comparator against a plain loop, and its noise against the normal distribution."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ks_2samp, norm

from busprobe_sim.physics.chance import array_stream, stream
from busprobe_sim.physics.receiver import (
    NOISE_REACH_SIGMA,
    Comparator,
    Levels,
    Times,
    classic,
    compare,
    failsafe,
)
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


def straightforward(
    times: list[float],
    volts: list[float],
    end_ns: float,
    comparator: Comparator,
    initial: int,
    noise: Iterator[float],
    sample_ns: float,
) -> list[tuple[float, int]]:
    """Toggles of a comparator that looks at every sample everywhere, one by one."""
    toggles, level = [], initial
    for start, end, volt in zip(times, [*times[1:], end_ns], volts, strict=True):
        for number in range(max(1, math.ceil((end - start) / sample_ns))):
            seen = volt + comparator.noise_rms_v * next(noise)
            now = 1 if seen >= comparator.high_v else 0 if seen <= comparator.low_v else level
            if now != level:
                level = now
                toggles.append((start + number * sample_ns, level))
    return toggles


def toggles_of(times: Times, levels: Levels, initial: int) -> list[tuple[float, int]]:
    before = np.concatenate(([initial], levels[:-1]))
    changed = levels != before
    return list(zip(times[changed].tolist(), levels[changed].tolist(), strict=True))


NOISY = [failsafe(noise_rms_v=0.05), classic(noise_rms_v=0.03), Comparator(0.0, 0.0, 0.1)]


@given(
    st.lists(st.tuples(st.floats(1, 40), st.floats(-0.6, 0.6)), min_size=1, max_size=30),
    st.sampled_from(NOISY),
    st.integers(0, 1),
    st.integers(0, 1000),
)
def test_the_same_noise_gives_the_same_output_as_looking_at_every_sample(
    segments: list[tuple[float, float]], comparator: Comparator, initial: int, seed: int
) -> None:
    durations, volts = zip(*segments, strict=True)
    ends = np.cumsum(durations)
    times = np.concatenate(([0.0], ends[:-1]))
    got = compare(
        times,
        np.array(volts),
        float(ends[-1]),
        comparator,
        initial,
        array_stream(seed, "noise"),
        sample_ns=1.0,
        reach_sigma=math.inf,
    )
    noise = array_stream(seed, "noise").standard_normal(1300, np.float32)
    scaled = iter((comparator.noise_rms_v * noise).tolist())
    unit = Comparator(comparator.high_v, comparator.low_v, 1.0)
    expected = straightforward(
        times.tolist(), list(volts), float(ends[-1]), unit, initial, scaled, 1.0
    )
    assert toggles_of(*got, initial) == expected


@pytest.mark.parametrize("comparator", NOISY)
@pytest.mark.parametrize("sigmas", [1.0, 2.0, 3.0])
def test_drawing_within_reach_is_distributed_as_drawing_everywhere(
    comparator: Comparator, sigmas: float
) -> None:
    # A square wave so many rms beyond the thresholds, in turn with one out of reach; the other
    # noise comes from Python's own generator. Two-sample test on the number of toggles (scipy).
    rng, count = random.Random(7), 500
    near = (comparator.high_v, comparator.low_v)
    far = sigmas * comparator.noise_rms_v
    times = [16.0 * i for i in range(count)]
    volts = [3.0 * (-1) ** i if i % 4 < 2 else near[i % 2] + far * (-1) ** i for i in range(count)]
    ours, theirs = [], []
    generator = array_stream(7, "noise")
    for _ in range(20):
        got = compare(
            np.array(times), np.array(volts), 16.0 * count, comparator, 1, generator, sample_ns=1.0
        )
        ours += [t for t, _ in toggles_of(*got, 1)]
        everywhere = iter(lambda: rng.gauss(0.0, 1.0), None)
        theirs += [
            t
            for t, _ in straightforward(times, volts, 16.0 * count, comparator, 1, everywhere, 1.0)
        ]
    # How many, and where within the four segments of a period.
    assert len(ours) == pytest.approx(len(theirs), abs=4 * math.sqrt(2 * len(theirs)))
    places = (np.mod(times, 64.0) for times in (ours, theirs))
    assert ks_2samp(*places, method="asymp").pvalue > 0.001


def test_no_noise_that_is_drawn_reaches_further_than_is_said() -> None:
    # The end of the tail of numpy's 32 bit ziggurat (its constant, its largest uniform number), and
    # what a normal distribution has beyond it (scipy).
    largest = 3.6541528853610088 - math.log(2.0**-24) / 3.6541528853610088
    assert largest < NOISE_REACH_SIGMA
    assert 2.0 * norm.sf(largest) < 3e-16


def test_noise_is_laid_out_only_where_it_matters() -> None:
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
