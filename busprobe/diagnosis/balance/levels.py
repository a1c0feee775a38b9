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
# A source feeds in that nobody has named. Common practice, no source.
P_UNMETERED = 0.004
# One mean that lies far below zero is worth this much at most; meters do fail for a moment.
MOST_EACH = 2.5
# Idle generators draw for their own needs. Common practice, no source.
IDLE_W = 40.0
IDLE_SHARE = 0.02
# A consumer that switches rests now and then, but never gives.
SELDOM = 0.1


def penalty(house: Real, tolerance: Real) -> Real:
    """Log-likelihood of a house that comes out at these powers on one phase, without a bound.

    Args:
        house: Means over blocks [combination, block], W; NaN where missing.
        tolerance: How far below zero the meters alone may bring it [combination, block], W.

    Returns:
        0 where it stays above zero, negative else, one value for each combination.
    """
    there = np.isfinite(house) & np.isfinite(tolerance)
    tolerance = np.where(there, tolerance, 1.0)
    below = np.where(there, np.clip(-house - tolerance, 0.0, None), 0.0)
    each = np.minimum(MOST_EACH, 0.5 * (3.0 * below / tolerance) ** 2)
    # Neighbouring blocks err alike.
    return np.asarray(-0.5 * each.sum(axis=1))


def bounded(log_fit: Real) -> Real:
    """The same with an unmetered source as the other explanation."""
    return np.asarray(np.logaddexp(log_fit, math.log(P_UNMETERED)))


def unmetered(log_fit: Real) -> Real:
    """Probability that such a source is needed to explain these levels."""
    fit = np.exp(np.minimum(log_fit, 0.0))
    return np.asarray(P_UNMETERED * (1.0 - fit) / (P_UNMETERED + fit))


def draws(power_w: Real, rated_w: float | None) -> bool:
    """Whether what should be a source draws power for good [W, NaN where missing]."""
    seen = power_w[np.isfinite(power_w)]
    if seen.size == 0:
        return False
    least = max(IDLE_W, IDLE_SHARE * (rated_w or 0.0))
    return bool(np.mean(seen) < -least and np.mean(seen > least / 2.0) < SELDOM)
