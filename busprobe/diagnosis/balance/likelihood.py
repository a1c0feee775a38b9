"""How well the changes of a phase fit: Student-t with unknown scale and unknown weight of tails.

What is left after the generation is taken out is the house: mostly some watts of flicker, and now
and then an appliance of any size. A Student-t distribution describes both, if its scale and its
degrees of freedom are summed out instead of fitted (scale: flat prior over its logarithm). What
the house was seen to do while no source moved counts besides: a hob comes back at its own size.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

SCALES_W = np.geomspace(3.0, 2000.0, 14)
FREEDOMS = (1.0, 2.0, 4.0)
# Kernel of what the house was seen to do [W]; the mixture with what it was not seen to do leans on
# it the more was seen. Chosen on synthetic sites.
KERNEL_W = 15.0
FEWEST_SEEN, SEEN_HALF, MOST_SEEN = 10, 15.0, 0.8
# So many residuals [combination x scale x change] are kept in memory at once.
_CHUNK = 3_000_000
# Below this a scale is no scale any more [W^2].
_LEAST = 1e-9


@dataclass(frozen=True, slots=True)
class Habits:
    """What a house was seen to do on one phase while no source moved.

    Attributes:
        seen: Its changes at such times [W].
        judged: Which changes of the record are held against them: those in which a source moved.
    """

    seen: Real
    judged: NDArray[np.bool_]

    @property
    def share(self) -> float:
        """How much of the density rests on what was seen; 0 where that is too little."""
        if self.seen.size < FEWEST_SEEN:
            return 0.0
        return MOST_SEEN * self.seen.size / (self.seen.size + SEEN_HALF)

    def log_density(self, residual: Real, error: Real) -> Real:
        """Log of the kernel density of residuals [combination, change]."""
        width = np.hypot(error, KERNEL_W)[:, :, None]
        both = np.concatenate([self.seen, -self.seen])
        away = (residual[:, :, None] - both) / width
        log = log_sum(-0.5 * away**2, axis=2) - math.log(both.size)
        return np.asarray(log - np.log(width[:, :, 0] * math.sqrt(2.0 * math.pi)))


def log_marginal(residual: Real, error: Real, habits: Habits | None = None) -> Real:
    """Log of the probability density of residuals, scale and freedom summed out.

    Args:
        residual: [combination, change], W; NaN where a reading is missing.
        error: Known standard errors of each, added to the scale [combination, change], W.
        habits: What the house does by itself: an appliance that comes back is no surprise.

    Returns:
        One value for each combination.
    """
    out = np.empty(residual.shape[0])
    seen = 2 * habits.seen.size if habits is not None else 0
    rows = max(1, _CHUNK // max(1, residual.shape[1] * max(SCALES_W.size, seen)))
    for start in range(0, residual.shape[0], rows):
        part = slice(start, start + rows)
        out[part] = _marginal(residual[part], error[part], habits)
    return out


def _marginal(residual: Real, error: Real, habits: Habits | None) -> Real:
    if habits is None or habits.share == 0.0 or not habits.judged.any():
        every = np.concatenate(_parts(residual, error), axis=1)
        return log_sum(every, axis=1) - math.log(every.shape[1])
    judged = habits.judged
    parts = _parts(residual[:, ~judged], error[:, ~judged])
    rest, wide = residual[:, judged], error[:, judged]
    there = np.isfinite(rest)
    rest, wide = np.where(there, rest, 0.0), np.where(there, wide, 1.0)
    known = math.log(habits.share) + habits.log_density(rest, wide)[:, None, :]
    square = SCALES_W[None, :, None] ** 2 + wide[:, None, :] ** 2
    for number, freedom in enumerate(FREEDOMS):
        new = _norm(freedom) - 0.5 * np.log(square)
        new = new - 0.5 * (freedom + 1) * np.log1p(rest[:, None, :] ** 2 / square / freedom)
        both = np.logaddexp(known, math.log1p(-habits.share) + new)
        parts[number] = parts[number] + np.where(there[:, None, :], both, 0.0).sum(axis=2)
    every = np.concatenate(parts, axis=1)
    return log_sum(every, axis=1) - math.log(every.shape[1])


def _norm(freedom: float) -> float:
    """Log of the constant of Student's t."""
    return (
        math.lgamma((freedom + 1) / 2)
        - math.lgamma(freedom / 2)
        - 0.5 * math.log(freedom * math.pi)
    )


def _parts(residual: Real, error: Real) -> list[Real]:
    """Log densities [combination, scale] for each freedom."""
    there = np.isfinite(residual)
    square = np.where(there, residual, 0.0) ** 2
    width = SCALES_W[None, :, None] ** 2 + np.where(there, error, 0.0)[:, None, :] ** 2
    ratio = square[:, None, :] / width
    log_width = np.where(there[:, None, :], -0.5 * np.log(width), 0.0).sum(axis=2)
    parts = []
    for freedom in FREEDOMS:
        tail = np.log1p(ratio / freedom).sum(axis=2)
        count = there.sum(axis=1)[:, None]
        parts.append(count * _norm(freedom) + log_width - 0.5 * (freedom + 1) * tail)
    return parts


def log_sum(values: Real, axis: int = 0) -> Real:
    """Log of the sum of exponentials along an axis."""
    top = np.max(values, axis=axis, keepdims=True)
    top = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.sum(np.exp(values - top), axis=axis, keepdims=True)) + top
    return np.asarray(np.squeeze(total, axis=axis))


def fit_slope(
    x: Real, y: Real, error: Real | None = None, freedom: float = 2.0
) -> tuple[float, float] | None:
    """Slope of y on x by maximum likelihood under Student-t residuals.

    The usual iteration: weights ``(f + 1) / (f + (r / s)^2)`` (Lange, Little, Taylor, "Robust
    Statistical Modeling Using the t Distribution", JASA 84, 1989), the width of each residual
    being the common scale and its own known error together.

    Args:
        x: Changes of the regressor.
        y: Changes of the response.
        error: Known standard errors of each residual, 0 where left out.
        freedom: Degrees of freedom.

    Returns:
        Slope and its standard error, None where x never changed.
    """
    known = np.zeros_like(x) if error is None else error
    keep = np.isfinite(x) & np.isfinite(y) & np.isfinite(known)
    x, y, known = x[keep], y[keep], known[keep] ** 2
    if x.size < 4 or not np.any(np.abs(x) > 1e-9):
        return None
    start = 1.0 / (known + np.median(known) + 1e-12)
    slope = float(np.dot(start * x, y) / np.dot(start * x, x))
    scale = max(_LEAST, (1.4826 * float(np.median(np.abs(y - slope * x)))) ** 2)
    for _ in range(500):
        width = scale + known
        ratio = (y - slope * x) ** 2 / width
        weight = (freedom + 1.0) / (freedom + ratio) / width
        new = float(np.dot(weight * x, y) / np.dot(weight * x, x))
        # At the maximum without known errors the mean of (f + 1) z^2 / (f + z^2) is 1.
        ratio = (y - new * x) ** 2 / width
        grown = scale * float(np.mean((freedom + 1.0) * ratio / (freedom + ratio)))
        done = abs(new - slope) < 1e-9 * max(1.0, abs(new)) and abs(grown - scale) < 1e-9 * scale
        slope, scale = new, max(_LEAST, grown)
        if done:
            break
    # Fisher information of a location-slope model: (f + 1) / (f + 3) sum x^2 / s^2 (same source).
    information = (freedom + 1.0) / (freedom + 3.0) * float(np.dot(x, x / (scale + known)))
    return slope, 1.0 / math.sqrt(information)
