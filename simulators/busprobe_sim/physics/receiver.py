"""The comparator of a line receiver: thresholds, hysteresis, memory and noise.

A comparator says 1 at or above its upper threshold and 0 at or below its lower one; between them it
keeps its last output. TIA/EIA-485-A only fixes that +200 mV reads 1 and -200 mV reads 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Times = npt.NDArray[np.float64]
Volts = npt.NDArray[np.float64]
Levels = npt.NDArray[np.int8]

# Further from a threshold no noise that is drawn reaches it [noise rms]: numpy makes 32 bit normals
# by ziggurat, whose tail begins at r = 3.6542 and ends at r + 24 ln(2) / r = 8.207 (the largest
# uniform number is 1 - 2**-24). Beyond, a normal distribution has less than 3e-16 of itself.
NOISE_REACH_SIGMA = 8.25


@dataclass(frozen=True, slots=True)
class Comparator:
    """Thresholds and noise of one receiver; the defaults are a failsafe part.

    Attributes:
        high_v: At or above this differential voltage the output is 1 [V].
        low_v: At or below this differential voltage the output is 0 [V].
        noise_rms_v: Gaussian noise at the input [V rms]; usual 0.010, range 0.005-0.050.
    """

    high_v: float = -0.090
    low_v: float = -0.120
    noise_rms_v: float = 0.010

    def decide(self, volts: float, margin_sigma: float = 0.0) -> int:
        """+1 or -1 where the input decides the output whatever the noise does, else 0.

        Args:
            volts: Differential input [V].
            margin_sigma: Distance from the threshold that is asked for [noise rms].
        """
        margin = margin_sigma * self.noise_rms_v
        if volts >= self.high_v + margin:
            return 1
        return -1 if volts <= self.low_v - margin else 0

    def decide_all(self, volts: Volts) -> Levels:
        """+1, -1 or 0 (the last output stays) for each input [V], as it is."""
        decisions: Levels = (volts >= self.high_v).astype(np.int8)
        decisions -= volts <= self.low_v
        return decisions


def failsafe(high_v: float = -0.090, noise_rms_v: float = 0.010) -> Comparator:
    """A receiver that reads an undriven pair (0 V) as 1.

    Args:
        high_v: Upper threshold [V], -0.130 to -0.050 over parts; 30 mV hysteresis below it.
        noise_rms_v: Input noise [V rms].
    """
    return Comparator(high_v, high_v - 0.030, noise_rms_v)


def classic(centre_v: float = 0.0, noise_rms_v: float = 0.010) -> Comparator:
    """A receiver without failsafe: an undriven pair keeps the last level.

    Args:
        centre_v: Centre of the thresholds [V], -0.060 to +0.060 over parts; 70 mV hysteresis.
        noise_rms_v: Input noise [V rms].
    """
    return Comparator(centre_v + 0.035, centre_v - 0.035, noise_rms_v)


def hold(decisions: Levels, initial: int) -> Levels:
    """Fill undecided places (0) with the level before them.

    Args:
        decisions: +1, -1 or 0 for each segment.
        initial: Level (0 or 1) before the first segment.

    Returns:
        Level 0 or 1 for each segment.
    """
    if decisions.all():
        levels: Levels = (decisions > 0).astype(np.int8)
        return levels
    last = np.maximum.accumulate(np.where(decisions != 0, np.arange(len(decisions)), -1))
    levels = (decisions[last] > 0).astype(np.int8)
    levels[last < 0] = initial
    return levels


def compare(
    times: Times,
    volts: Volts,
    end_ns: float,
    comparator: Comparator,
    initial: int,
    generator: np.random.Generator,
    *,
    sample_ns: float,
    reach_sigma: float = NOISE_REACH_SIGMA,
    quiet: npt.NDArray[np.bool_] | None = None,
    frozen: npt.NDArray[np.bool_] | None = None,
) -> tuple[Times, Levels]:
    """Level at the output of the comparator over time.

    Noise is drawn once per sample in every segment that it can move. A segment is laid out sample
    by sample only where its largest and smallest sample decide differently.

    Args:
        times: Start of each segment [ns], ascending.
        volts: Input of each segment [V].
        end_ns: End of the last segment [ns].
        comparator: The comparator.
        initial: Its output before the first segment.
        generator: Source of the noise.
        sample_ns: Spacing of the noise samples [ns].
        reach_sigma: Noise is drawn this close to a threshold [noise rms]; the usual reach is that
            of the generator, so that a larger one changes nothing but the time it takes.
        quiet: Segments without noise.
        frozen: Segments in which the output cannot move.

    Returns:
        Start of each segment [ns] and level (0 or 1) in it.
    """
    reach = reach_sigma * comparator.noise_rms_v
    if comparator.noise_rms_v > 0.0:
        near = (volts < comparator.high_v + reach) & (volts > comparator.low_v - reach)
        if quiet is not None:
            near &= ~quiet
        if near.any():
            durations = np.empty(len(times))
            np.subtract(times[1:], times[:-1], out=durations[:-1])
            durations[-1] = end_ns - times[-1]
            counts = np.where(near, np.ceil(durations / sample_ns), 1.0).astype(np.int64)
            np.maximum(counts, 1, out=counts)
            firsts = np.cumsum(counts) - counts
            total = int(firsts[-1] + counts[-1])
            noise = comparator.noise_rms_v * generator.standard_normal(total, np.float32)
            if not near.all():
                noise[firsts[~near]] = 0.0
            highest = comparator.decide_all(volts + np.maximum.reduceat(noise, firsts))
            lowest = comparator.decide_all(volts + np.minimum.reduceat(noise, firsts))
            counts[highest == lowest] = 1
            source = np.repeat(np.arange(len(times)), counts)
            within = np.arange(len(source)) - np.repeat(np.cumsum(counts) - counts, counts)
            volts = volts[source] + noise[firsts[source] + within]
            times = times[source] + within * sample_ns
            frozen = None if frozen is None else frozen[source]
    decisions = comparator.decide_all(volts)
    if frozen is not None:
        decisions[frozen] = 0
    return times, hold(decisions, initial)
