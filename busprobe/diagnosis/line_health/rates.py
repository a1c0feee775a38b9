"""Shares with their uncertainty, and likelihoods of counts."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

_Share = Callable[[float], float]
# Two-sided 95 %.
_Z95 = 1.959963984540054


def wilson(bad: int, total: int, z: float = _Z95) -> tuple[float, float]:
    """Confidence interval of a share: Wilson's score interval (JASA 22, 1927).

    Returns:
        Lower and upper end; (0, 1) when nothing was counted.
    """
    if not total:
        return 0.0, 1.0
    share, zz = bad / total, z * z
    centre = share + zz / (2 * total)
    half = z * math.sqrt(share * (1 - share) / total + zz / (4 * total * total))
    scale = 1 + zz / total
    return max(0.0, (centre - half) / scale), min(1.0, (centre + half) / scale)


def clopper_pearson(bad: int, total: int, level: float = 0.95) -> tuple[float, float]:
    """Exact confidence interval of a share (Biometrika 26, 1934): never covers less than stated.

    Returns:
        Lower and upper end; (0, 1) when nothing was counted.
    """
    if not total:
        return 0.0, 1.0
    tail = (1 - level) / 2
    low = 0.0 if bad == 0 else _solve(lambda p: 1 - _at_most(bad - 1, total, p), tail, rising=True)
    high = 1.0 if bad == total else _solve(lambda p: _at_most(bad, total, p), tail, rising=False)
    return low, high


def _at_most(most: int, total: int, p: float) -> float:
    """Probability of at most so many of `total` at a share p: 1 - I_p(most + 1, total - most)."""
    return 1 - _incomplete_beta(most + 1, total - most, p)


def _solve(f: _Share, wanted: float, *, rising: bool) -> float:
    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        if (f(middle) < wanted) == rising:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function (continued fraction, DLMF 8.17.22)."""
    if x <= 0.0 or x >= 1.0:
        return 0.0 if x <= 0.0 else 1.0
    if x > (a + 1) / (a + b + 2):
        return 1 - _incomplete_beta(b, a, 1 - x)
    front = math.exp(a * math.log(x) + b * math.log1p(-x) - log_beta(a, b)) / a
    # Lentz's method.
    tiny = 1e-300
    c, d = 1.0, 1 - (a + b) * x / (a + 1)
    d = 1 / (d if abs(d) > tiny else tiny)
    fraction = d
    for m in range(1, 2000):
        for numerator in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1 + numerator * d
            d = 1 / (d if abs(d) > tiny else tiny)
            c = 1 + numerator / c
            c = c if abs(c) > tiny else tiny
            fraction *= c * d
        if abs(c * d - 1) < 1e-14:
            break
    return front * fraction


def log_beta(a: float, b: float) -> float:
    """Logarithm of the beta function."""
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)


def log_drawn(bad: int, total: int, a: float, b: float) -> float:
    """Log likelihood of a course with so many bad ones, the share drawn from Beta(a, b)."""
    return log_beta(a + bad, b + total - bad) - log_beta(a, b)


def log_fixed(bad: int, total: int, share: float) -> float:
    """Log likelihood of a course with so many bad ones at a known share."""
    share = min(1 - 1e-9, max(1e-9, share))
    return bad * math.log(share) + (total - bad) * math.log1p(-share)


def log_sum(values: Sequence[float]) -> float:
    """Logarithm of a sum of exponentials."""
    top = max(values)
    return top + math.log(sum(math.exp(v - top) for v in values))


def probability(log_odds: float) -> float:
    """From log odds."""
    return 1 / (1 + math.exp(-max(-700.0, min(700.0, log_odds))))


def percentile(ascending: Sequence[float], share: float) -> float:
    """Percentile with linear interpolation between the ranks.

    Raises:
        ValueError: There are no values.
    """
    if not ascending:
        raise ValueError("no values")
    place = share * (len(ascending) - 1)
    low = math.floor(place)
    high = min(low + 1, len(ascending) - 1)
    return ascending[low] + (place - low) * (ascending[high] - ascending[low])
