"""Power integrated over time against the energy counters of the same meter.

Import minus export moves by the integral of the power, whichever way a meter makes its totals
(vectorial or by phase). The direction of the counters is named, that of the power is not: so the
two together tell what a positive power means.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

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

    Where the total says nothing, because the phases cancel, those of the phases are asked which
    way is positive.

    Returns:
        None where the series has no counters or no power.
    """
    whole = _check(series, "")
    if whole is None or whole.positive is not Positive.UNKNOWN:
        return whole
    votes = {Positive.INTO_SITE: 0.0, Positive.OUT_OF_SITE: 0.0}
    for phase in ("_L1", "_L2", "_L3"):
        one = _check(series, phase)
        if one is not None and one.positive is not Positive.UNKNOWN:
            votes[one.positive] += abs(one.integrated_wh)
    into, out = votes[Positive.INTO_SITE], votes[Positive.OUT_OF_SITE]
    if min(into, out) == 0.0 < max(into, out):
        positive = Positive.INTO_SITE if into else Positive.OUT_OF_SITE
        return replace(whole, positive=positive)
    return whole


def _check(series: Series, phase: str) -> CounterCheck | None:
    power = _column(series, f"P{phase}") if phase else _total(series)
    imported = _column(series, f"E_import{phase}")
    exported = _column(series, f"E_export{phase}")
    if power is None or (imported is None and exported is None):
        return None
    t = np.asarray(series.t_s, float)
    net = np.zeros(t.size)
    steps = []
    for sign, counter, name in (
        (1.0, imported, f"E_import{phase}"),
        (-1.0, exported, f"E_export{phase}"),
    ):
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


def _column(series: Series, name: str) -> NDArray[np.float64] | None:
    values = series.columns.get(name)
    if values is None or all(v is None for v in values):
        return None
    return np.array([np.nan if v is None else v for v in values], float)


def _total(series: Series) -> NDArray[np.float64] | None:
    whole = _column(series, "P")
    if whole is not None:
        return whole
    phases = [c for p in ("L1", "L2", "L3") if (c := _column(series, f"P_{p}")) is not None]
    return np.sum(phases, axis=0) if phases else None


def _resolution(counter: NDArray[np.float64]) -> float:
    gaps = np.abs(np.diff(counter[np.isfinite(counter)]))
    gaps = gaps[gaps > 0]
    return float(gaps.min()) if gaps.size else 10.0
