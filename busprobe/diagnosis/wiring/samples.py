"""A series of readings as arrays, and its differences over a switching."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from busprobe.diagnosis.wiring.physics import Network
from busprobe.model.series import Series

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.int64]
Value = TypeVar("Value", np.float64, np.complex128)

# Registers of one meter are refreshed at different instants within about a second, so a difference
# shorter than this may hold half a step (own measurements on synthetic meters).
SETTLE_S = 2.0


@dataclass(frozen=True, slots=True)
class InputSamples:
    """What one input of the meter reported.

    Attributes:
        name: "L1".."L3".
        power: P + jQ [VA], NaN where missing; the imaginary part is 0 without Q.
        has_q: Whether the meter reports reactive power.
        volts: Voltage [V], all NaN without the register.
        amps: Current [A], all NaN without the register.
        power_step: Register step of the powers [W].
        volt_step: Register step of the voltage [V].
    """

    name: str
    power: Complex
    has_q: bool
    volts: Real
    amps: Real
    power_step: float
    volt_step: float


@dataclass(frozen=True, slots=True)
class Samples:
    """A whole series.

    Attributes:
        t_s: Time of each row [s].
        inputs: One entry per input of the system.
        period_s: Median time between rows [s].
        lag: Rows between the two ends of a difference.
    """

    t_s: Real
    inputs: tuple[InputSamples, ...]
    period_s: float
    lag: int

    def power_differences(self, one: InputSamples) -> NDArray[np.inexact]:
        """Differences of P + jQ of an input, real where it has no Q."""
        d = self.differences(one.power)
        return d if one.has_q else d.real

    def differences(self, values: NDArray[Value]) -> NDArray[Value]:
        """Value `lag` rows later minus the value, NaN over gaps."""
        late, early = values[self.lag :], values[: -self.lag]
        gap = self.t_s[self.lag :] - self.t_s[: -self.lag]
        out: NDArray[Value] = late - early
        out[gap > 3.0 * max(self.lag * self.period_s, SETTLE_S)] = np.nan
        return out


def column(series: Series, name: str) -> Real | None:
    """One column as an array with NaN for missing values; None when absent or empty."""
    values = series.columns.get(name)
    if values is None:
        return None
    out = np.array([math.nan if v is None else v for v in values], dtype=float)
    out[~np.isfinite(out)] = np.nan
    return None if np.isnan(out).all() else out


def register_step(values: Real, stated: float | None) -> float:
    """The step of a register: as stated, else the smallest decimal step that fits its values."""
    if stated is not None and stated > 0:
        return stated
    seen = values[np.isfinite(values)]
    if seen.size < 4:
        return 1.0
    for step in (100.0, 10.0, 1.0, 0.1, 0.01):
        if np.allclose(seen, np.round(seen / step) * step, atol=step * 1e-3, rtol=0.0):
            return step
    return 0.0


def samples_of(series: Series, net: Network) -> Samples | None:
    """The series as arrays, or None where it holds no power per phase or too few rows."""
    t = np.array(series.t_s, dtype=float)
    if t.size < 4:
        return None
    inputs: list[InputSamples] = []
    nothing = np.full(t.size, np.nan)
    for name in net.inputs:
        p = column(series, f"P_{name}")
        if p is None:
            return None
        q = column(series, f"Q_{name}")
        v, i = column(series, f"V_{name}"), column(series, f"I_{name}")
        step = register_step(p, series.steps.get(f"P_{name}"))
        inputs.append(
            InputSamples(
                name=name,
                power=p + 1j * (q if q is not None else np.zeros(t.size)),
                has_q=q is not None,
                volts=v if v is not None else nothing,
                amps=i if i is not None else nothing,
                power_step=step,
                volt_step=register_step(v, series.steps.get(f"V_{name}")) if v is not None else 1.0,
            )
        )
    period = float(np.median(np.diff(t)))
    if period <= 0:
        period = float(t[-1] - t[0]) / (t.size - 1) or 1.0
    lag = max(2, math.ceil(SETTLE_S / period - 1e-6))
    if t.size <= lag + 1:
        return None
    return Samples(t, tuple(inputs), period, lag)
