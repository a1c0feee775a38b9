"""How likely a difference is when nobody switches: learnt from the record itself.

The densities live in ``u = asinh(x / s)``, separately for P and Q: near zero the width of the
kernel is a fixed number of watts, far out it is a fixed share of the step. That suits what is seen
on a feeder - a narrow core of flicker and noise, and a few appliances of any size - and makes the
whole density one table that is looked up.

A kernel density of the meter's own differences instead of a parametric noise: with fitted
Student-t noise the verdicts are over-confident, because a house is not made of noise but of a few
appliances that come back.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

# Largest step that is told from a larger one [W]; the service of a house.
REACH_W = 40_000.0
CELL = 0.075
# Kernel: an appliance comes back at its own size within some per cent; the rest is wide, because
KERNEL = ((0.35, 0.05), (0.4, 0.15), (0.25, 0.5))
# Weight of the wide tail: as many differences of any size as this share of the record, and a few
# more for a short one.
TAIL_SHARE = 0.02
TAIL_COUNT = 2.0


class StepDensity:
    """Log density of a real or complex difference, by table.

    Args:
        seen: Differences without switching (complex, or real for one axis).
        scale: Width of the core s [same unit].
        reach: Largest difference that matters.
    """

    def __init__(self, seen: NDArray[np.generic], scale: float, reach: float = REACH_W) -> None:
        self._scale = scale
        self._axes = 2 if np.iscomplexobj(seen) else 1
        self._half = math.ceil(math.asinh(reach / scale) / CELL) + 4
        size = 2 * self._half + 1
        seen = seen[np.isfinite(seen)]
        kernel = _kernel_matrix(size)
        tail = TAIL_COUNT + TAIL_SHARE * seen.size
        weight = seen.size / (seen.size + tail)
        if self._axes == 2:
            count: Real = np.zeros((size, size))
            np.add.at(count, (self._cell(seen.real), self._cell(seen.imag)), 1.0)
            count += count[::-1, ::-1]
            mean: Real = np.zeros_like(count)
            # Few cells are not empty; the others need no smoothing.
            rows, columns = np.flatnonzero(count.any(axis=1)), np.flatnonzero(count.any(axis=0))
            filled = count[np.ix_(rows, columns)]
            for share, smooth in kernel:
                mean += share * ((smooth[:, rows] @ filled) @ smooth[:, columns].T)
        else:
            count = np.zeros(size)
            np.add.at(count, self._cell(seen.real), 1.0)
            count += count[::-1]
            mean = np.zeros_like(count)
            for share, smooth in kernel:
                mean += share * (smooth @ count)
        total = max(count.sum(), 1.0)
        per_cell = weight * mean / total + (1.0 - weight) / size**self._axes
        u = (np.arange(size) - self._half) * CELL
        jacobian = -np.log(CELL * scale * np.cosh(u))
        table = np.log(per_cell)
        table += jacobian if self._axes == 1 else jacobian[:, None] + jacobian[None, :]
        self._flat: Real = np.ascontiguousarray(table).ravel()

    def _cell(self, x: NDArray[np.generic]) -> NDArray[np.int64]:
        u = np.rint(np.arcsinh(np.asarray(x) / self._scale) * (1.0 / CELL)).astype(np.int64)
        u += self._half
        np.maximum(u, 0, out=u)
        return np.minimum(u, 2 * self._half, out=u)

    def looked_up(self, x: NDArray[np.inexact]) -> Real:
        """Log density at differences of any shape, none of them missing; -inf never."""
        if self._axes == 2:
            cell = self._cell(x.real)
            cell *= 2 * self._half + 1
            cell += self._cell(x.imag)
            return self._flat[cell]
        return self._flat[self._cell(x.real)]

    def log(self, x: NDArray[np.inexact]) -> Real:
        """The same, 0 where a value is missing."""
        missing = ~np.isfinite(x)
        return np.where(missing, 0.0, self.looked_up(np.where(missing, 0.0, x)))


@lru_cache(maxsize=32)
def _kernel_matrix(size: int) -> list[tuple[float, Real]]:
    """The parts of the kernel as smoothing matrices whose columns sum to 1."""
    u = np.arange(size) * CELL
    distance = (u[:, None] - u[None, :]) ** 2
    parts = []
    for share, width in KERNEL:
        smooth = np.exp(-0.5 * distance / width**2)
        parts.append((share, smooth / smooth.sum(axis=0)))
    return parts


def core_scale(seen: NDArray[np.generic], step: float, least: float) -> float:
    """The width of the core of some differences: twice their median, never below the register."""
    size = np.abs(seen[np.isfinite(seen)])
    median = float(np.median(size)) if size.size else 0.0
    return max(least, step, 2.0 * median)
