"""What the powers themselves must not be: a house does not give, a generator does not draw.

A house that comes out negative on any phase for some seconds betrays a meter that counts the wrong
way, or a source that nobody measures. How rare the latter is bounds what this can prove.
"""

from __future__ import annotations

import math

import numpy as np

from busprobe.diagnosis.balance.likelihood import Real

# Meters of class 1 scatter with 0.4 % (standard deviation); four of them, and the angle error of
# small currents (IEC 61869-2 class 1: 180' at 5 %).
CLASS_SHARE = 0.02
FLOOR_W = 25.0
NOISE_W = 5.0
# Nobody has told of a source that feeds in unmetered, in about one site of two thousand that names
# its sources. Common practice, no source.
P_UNMETERED = 0.0005
# One mean that lies far below zero is worth this much at most; meters do fail for a moment.
MOST_EACH = 2.5
# Idle generators draw for their own needs. Common practice, no source.
IDLE_W = 40.0
IDLE_SHARE = 0.02


def penalty(house: Real, tolerance: Real) -> Real:
    """Log-likelihood of a house that comes out at these powers on one phase, without a bound.

    Args:
        house: Means over blocks [combination, block], W; NaN where missing.
        tolerance: How far below zero the meters alone may bring it [combination, block], W.

    Returns:
        0 where it stays above zero, negative else, one value for each combination.
    """
    below = np.where(np.isfinite(house), np.clip(-house - tolerance, 0.0, None), 0.0)
    each = np.minimum(MOST_EACH, 0.5 * (3.0 * below / tolerance) ** 2)
    # Neighbouring blocks err alike.
    return np.asarray(-0.5 * each.sum(axis=1))


def bounded(log_fit: Real) -> Real:
    """The same with an unmetered source as the other explanation."""
    return np.asarray(np.logaddexp(log_fit, math.log(P_UNMETERED)))


def draws(power_w: Real, rated_w: float | None) -> bool:
    """Whether what should be a source draws power for good [W, NaN where missing]."""
    seen = power_w[np.isfinite(power_w)]
    if seen.size == 0:
        return False
    least = max(IDLE_W, IDLE_SHARE * (rated_w or 0.0))
    return bool(np.mean(seen) < -least and np.mean(seen < -least / 2.0) > 0.6)


def gives(power_w: Real, rated_w: float | None) -> bool:
    """Whether it gives power for good [W, NaN where missing]."""
    return draws(-power_w, rated_w)
