"""From a wiring test to the numbers of its pictures."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import median

from busprobe.diagnosis.wiring import Explanation, WiringVerdict
from busprobe.model.reading import PHASES
from busprobe.model.series import Series
from busprobe.report.pictures.data import (
    Phasor,
    PhasorPicture,
    TrendLine,
    TrendMark,
    TrendPicture,
)
from busprobe.report.wiring_evidence import WiringTest

_NOMINAL_DEG = {"L1": 0.0, "L2": -120.0, "L3": 120.0}
_SPLIT_DEG = {"L1": 0.0, "L2": 180.0}
# More points than an A4 page can show are thinned out, keeping the extremes.
_MOST_POINTS = 360
_LOADED_SHARE = 0.25
_CAPTION = (
    "Drawn from P, Q, U and I as the meter reports them. Meters of this kind report no angle "
    "between voltages: voltages stand at their nominal angles. Each current is the median of the "
    "quarter of the readings in which it was largest."
)


def trend_picture(test: WiringTest) -> TrendPicture | None:
    """Active power per phase over the test, with the switchings found."""
    series = test.series
    names = [n for n in (f"P_{p}" for p in PHASES) if n in series.columns]
    if not names or len(series.t_s) < 2:
        return None
    kept = _thinned(series, names)
    return TrendPicture(
        t_s=tuple(round(series.t_s[n], 3) for n in kept),
        lines=tuple(
            TrendLine(name=name[2:], values=tuple(series.columns[name][n] for n in kept))
            for name in names
        ),
        marks=tuple(
            TrendMark(t_s=round(step.t_s, 3), label=step.conductor) for step in test.diagnosis.steps
        ),
        unit="W",
    )


def _thinned(series: Series, names: Sequence[str]) -> list[int]:
    """Rows to draw: all, or lowest and highest of each stretch and quantity."""
    count = len(series.t_s)
    if count <= _MOST_POINTS:
        return list(range(count))
    kept: set[int] = {0, count - 1}
    stretches = _MOST_POINTS // (2 * len(names))
    for at in range(stretches):
        rows = range(at * count // stretches, (at + 1) * count // stretches)
        for name in names:
            values = [(v, n) for n in rows if (v := series.columns[name][n]) is not None]
            if values:
                kept |= {min(values)[1], max(values)[1]}
    return sorted(kept)


def _loaded(series: Series, phase: str) -> dict[str, float] | None:
    """Median U, I, P, Q of a phase over the readings in which its current was largest."""
    wanted = [f"{letter}_{phase}" for letter in "VIP"]
    if any(name not in series.columns for name in wanted):
        return None
    rows = [
        n
        for n in range(len(series.t_s))
        if all(series.columns[name][n] is not None for name in wanted)
    ]
    rows.sort(key=lambda n: abs(series.columns[wanted[1]][n] or 0.0), reverse=True)
    rows = rows[: max(1, round(_LOADED_SHARE * len(rows)))] if rows else []
    if not rows:
        return None
    found = {}
    for name in (*wanted, f"Q_{phase}"):
        column = series.columns.get(name)
        values = [] if column is None else [v for n in rows if (v := column[n]) is not None]
        if values:
            found[name[0]] = median(values)
    return found


def _lag_deg(values: Mapping[str, float]) -> float | None:
    """How far the current lags its own voltage [deg], None when the powers do not tell."""
    power = values["P"]
    reactive = values.get("Q")
    if reactive is not None:
        return math.degrees(math.atan2(reactive, power)) if power or reactive else None
    apparent = values["V"] * abs(values["I"])
    return None if apparent <= 0 else math.degrees(math.acos(max(-1, min(1, power / apparent))))


def _wrap(angle_deg: float) -> float:
    return round(-((-angle_deg + 180.0) % 360.0 - 180.0), 1)


def phasor_picture(test: WiringTest) -> PhasorPicture | None:
    """What the meter sees now, and what it will see wired right."""
    seen = {p: v for p in PHASES if (v := _loaded(test.series, p)) is not None and v["V"] > 0}
    if not seen:
        return None
    angles = _SPLIT_DEG if set(seen) == {"L1", "L2"} else _NOMINAL_DEG
    lags = {p: _lag_deg(v) for p, v in seen.items()}
    voltages = tuple(
        Phasor(name=p, magnitude=round(v["V"], 2), angle_deg=angles[p]) for p, v in seen.items()
    )
    currents = {
        p: Phasor(
            name=p, magnitude=round(abs(v["I"]), 3), angle_deg=_wrap(angles[p] - (lags[p] or 0.0))
        )
        for p, v in seen.items()
        if lags[p] is not None and v["I"]
    }
    best = _settled(test)
    right = () if best is None else _right(best, currents, angles)
    return PhasorPicture(
        voltages=voltages,
        currents=tuple(currents.values()),
        right_voltages=voltages if right else (),
        right_currents=right,
        caption=_CAPTION,
    )


def _settled(test: WiringTest) -> Explanation | None:
    """The one wiring that the verdict names, where moving currents is all it takes."""
    diagnosis = test.diagnosis
    if diagnosis.verdict is not WiringVerdict.FAULT or len(diagnosis.explanations) != 1:
        return None
    best = diagnosis.explanations[0]
    leads_right = all(v.conductor == v.input for v in best.voltages) and best.neutral == "N"
    known = all(
        ct.conductor in PHASES and ct.direction in ("forward", "reversed") for ct in best.cts
    )
    return best if leads_right and known else None


def _right(
    best: Explanation, currents: Mapping[str, Phasor], angles: Mapping[str, float]
) -> tuple[Phasor, ...]:
    """The currents on their own conductors, the right way round and with the right ratio."""
    moved = []
    for ct in best.cts:
        seen = currents.get(ct.input)
        if seen is None or ct.conductor not in angles:
            continue
        turned = ct.direction == "reversed"
        ratio = ct.ratio or 1.0
        moved.append(
            Phasor(
                name=ct.conductor,
                magnitude=round(seen.magnitude / ratio, 3),
                angle_deg=_wrap(seen.angle_deg + (180.0 if turned else 0.0)),
                changed=turned or ct.conductor != ct.input or ratio != 1.0,
            )
        )
    return tuple(sorted(moved, key=lambda phasor: phasor.name))
