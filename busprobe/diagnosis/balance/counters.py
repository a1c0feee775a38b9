"""Power integrated over time against the energy counters of the same meter.

Import minus export moves by the integral of the power, whichever way a meter makes its totals
(vectorial or by phase). The direction of the counters is named, that of the power is not: so the
two together tell what a positive power means.
"""

from __future__ import annotations

import math

import numpy as np

from busprobe.diagnosis.balance.types import CounterCheck, Positive
from busprobe.model.series import Series

# Counted energy has to exceed its own uncertainty this many times before it says anything.
ENOUGH = 4.0
# A factor other than 1 is told where it lies this many standard errors away, and 15 % besides:
# integrals over readings miss what happens between them.
AWAY = 4.0
AGREES = 0.15


def check_counters(series: Series) -> CounterCheck | None:
    """Hold the integral of the power against the counters.

    Returns:
        None where the series has no counters or no power.
    """
    power = _total(series)
    imported, exported = _column(series, "E_import"), _column(series, "E_export")
    if power is None or (imported is None and exported is None):
        return None
    t = np.asarray(series.t_s, float)
    net = np.zeros(t.size)
    steps = []
    for sign, counter, name in ((1.0, imported, "E_import"), (-1.0, exported, "E_export")):
        if counter is not None:
            net = net + sign * counter
            steps.append(series.steps.get(name) or _resolution(counter))
    keep = np.isfinite(power) & np.isfinite(net)
    t, power, net = t[keep], power[keep], net[keep]
    if t.size < 3 or t[-1] <= t[0]:
        return None
    gaps = np.diff(t)
    integrated = float(np.sum(0.5 * (power[1:] + power[:-1]) * gaps)) / 3600.0
    # Between two readings the power may have stepped at any instant.
    sampling = math.sqrt(float(np.sum((np.diff(power) * gaps) ** 2)) / 12.0) / 3600.0
    # Counters and power are renewed at different instants.
    late = float(np.abs(power[[0, -1]]).max()) * 1.5 / 3600.0
    step = math.hypot(*steps) if len(steps) > 1 else steps[0]
    sigma = math.sqrt(sampling**2 + late**2 + step**2 / 3.0)
    counted = float(net[-1] - net[0])
    ratio = None
    positive = Positive.UNKNOWN
    agrees = None
    if abs(integrated) > ENOUGH * sigma:
        ratio = counted / integrated
        error = sigma / abs(integrated)
        if abs(ratio) > AWAY * error:
            positive = Positive.INTO_SITE if ratio > 0 else Positive.OUT_OF_SITE
        agrees = abs(abs(ratio) - 1.0) < max(AGREES, AWAY * error)
    return CounterCheck(integrated, counted, sigma, ratio, positive, agrees)


def _column(series: Series, name: str) -> np.ndarray | None:
    values = series.columns.get(name)
    if values is None or all(v is None for v in values):
        return None
    return np.array([np.nan if v is None else v for v in values], float)


def _total(series: Series) -> np.ndarray | None:
    whole = _column(series, "P")
    if whole is not None:
        return whole
    phases = [c for p in ("L1", "L2", "L3") if (c := _column(series, f"P_{p}")) is not None]
    return np.sum(phases, axis=0) if phases else None


def _resolution(counter: np.ndarray) -> float:
    gaps = np.abs(np.diff(counter[np.isfinite(counter)]))
    gaps = gaps[gaps > 0]
    return float(gaps.min()) if gaps.size else 10.0
