"""How well the changes of a phase fit: Student-t with unknown scale and unknown weight of tails.

What is left after the generation is taken out is the house: mostly some watts of flicker, and now
and then an appliance of any size. A Student-t distribution describes both, if its scale and its
degrees of freedom are summed out instead of fitted (scale: flat prior over its logarithm).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

SCALES_W = np.geomspace(3.0, 2000.0, 14)
FREEDOMS = (1.0, 2.0, 4.0)
# So many residuals [combination x scale x change] are kept in memory at once.
_CHUNK = 3_000_000
# Below this a scale is no scale any more [W^2].
_LEAST = 1e-9


def log_marginal(residual: Real, error: Real) -> Real:
    """Log of the probability density of residuals, scale and freedom summed out.

    Args:
        residual: [combination, change], W; NaN where a reading is missing.
        error: Known standard errors of each, added to the scale [combination, change], W.

    Returns:
        One value for each combination.
    """
    out = np.empty(residual.shape[0])
    rows = max(1, _CHUNK // max(1, residual.shape[1] * SCALES_W.size))
    for start in range(0, residual.shape[0], rows):
        part = slice(start, start + rows)
        out[part] = _marginal(residual[part], error[part])
    return out


def _marginal(residual: Real, error: Real) -> Real:
    there = np.isfinite(residual)
    square = np.where(there, residual, 0.0) ** 2
    width = SCALES_W[None, :, None] ** 2 + np.where(there, error, 0.0)[:, None, :] ** 2
    ratio = square[:, None, :] / width
    log_width = np.where(there[:, None, :], -0.5 * np.log(width), 0.0).sum(axis=2)
    parts = []
    for freedom in FREEDOMS:
        norm = (
            math.lgamma((freedom + 1) / 2)
            - math.lgamma(freedom / 2)
            - 0.5 * math.log(freedom * math.pi)
        )
        tail = np.log1p(ratio / freedom).sum(axis=2)
        count = there.sum(axis=1)[:, None]
        parts.append(count * norm + log_width - 0.5 * (freedom + 1) * tail)
    every = np.concatenate(parts, axis=1)
    return log_sum(every, axis=1) - math.log(every.shape[1])


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
