"""From the posterior to an answer for each meter and for the site."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from busprobe.diagnosis.balance import held, words
from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.likelihood import Real
from busprobe.diagnosis.balance.meters import (
    SURE,
    counted,
    draws_power,
    grid_meter,
    mean,
    source_meter,
)
from busprobe.diagnosis.balance.posterior import Combination, Posterior
from busprobe.diagnosis.balance.states import State
from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CounterCheck,
    CurtailMark,
    MeterBalance,
    Place,
    Positive,
    Role,
    Sign,
)
from busprobe.diagnosis.balance.unsettled import Open

# Above this, what seems to be a fault may be a source without a meter.
UNMETERED = 0.2
# Standard uncertainty of a meter of class 1.
CLASS_ERROR = 0.006


def conclude(
    evidence: Evidence,
    posterior: Posterior,
    marks: tuple[CurtailMark, ...],
    counters: Mapping[str, CounterCheck | None],
) -> BalanceDiagnosis:
    """The answer.

    Args:
        evidence: All readings on one clock.
        posterior: Explanations of them.
        marks: What was commanded.
        counters: Power against counters, by name of the meter.
    """
    is_held = held.grid_is_held(evidence)
    sources = tuple(
        source_meter(evidence, posterior, j, is_held, marks, counters)
        for j in range(len(evidence.sources))
    )
    grid = grid_meter(evidence, posterior, is_held, counters)
    meters = (grid, *sources)
    unmetered = sum(c.probability * c.unmetered for c in posterior.combinations)
    verdict, probability = _verdict(evidence, posterior, meters, unmetered)
    residual, uncertainty, lowest, as_wired = _residual(evidence, posterior)
    open_ = Open(evidence, meters, is_held, held.in_loop(evidence), unmetered, marks)
    return BalanceDiagnosis(
        verdict,
        probability,
        meters,
        residual,
        uncertainty,
        as_wired,
        lowest,
        evidence.site.duration_s,
        words.not_identifiable(open_),
        None
        if verdict is BalanceVerdict.CORRECT and all(m.decided for m in meters)
        else words.next_experiment(open_),
        unmetered,
    )


def _verdict(
    evidence: Evidence,
    posterior: Posterior,
    meters: tuple[MeterBalance, ...],
    unmetered: float,
) -> tuple[BalanceVerdict, float]:
    sources = evidence.sources

    def normal(c: Combination) -> bool:
        return all(s > 0 for s in c.signs) and all(
            _as_planned(source, state) for source, state in zip(sources, c.states, strict=True)
        )

    p_right = sum(c.probability * (1.0 - c.unmetered) for c in posterior.combinations if normal(c))
    faulty = [m for m in meters if m.decided and _is_faulty(m)]
    if faulty:
        return BalanceVerdict.FAULT, max(m.probability for m in faulty)
    signs = all(m.decided or m.role is Role.BATTERY for m in meters)
    if p_right >= SURE and signs:
        return BalanceVerdict.CORRECT, p_right
    if any(m.place is Place.UNKNOWN for m in meters):
        return BalanceVerdict.UNDECIDED, p_right
    named = all(s.track.known.positive is not Positive.UNKNOWN for s in sources)
    # A source without a meter is no fault of a meter.
    if p_right <= 1.0 - SURE and named and unmetered < UNMETERED:
        return BalanceVerdict.AMBIGUOUS, 1.0 - p_right
    return BalanceVerdict.UNDECIDED, max(p_right, 1.0 - p_right)


def _as_planned(source: SourceEvidence, state: State) -> bool:
    factors = counted(source, state)
    if source.track.known.role is Role.BATTERY:
        return all(abs(f) in (0.0, 1.0) for f in factors)
    right = all(state.factors[k] == 1.0 for k in source.live)
    nothing_dead = all(state.factors[k] == 0.0 for k in source.dead)
    return right and nothing_dead and not draws_power(source, state.factors)


def _is_faulty(meter: MeterBalance) -> bool:
    if meter.role is Role.BATTERY:
        return meter.place is Place.BEHIND_GRID_METER and meter.ratio not in (None, 1.0)
    if meter.place is not Place.BEHIND_GRID_METER:
        return True
    if meter.sign is Sign.REVERSED or any(i.sign is Sign.REVERSED for i in meter.inputs):
        return True
    return any(i.ratio not in (None, 1.0) for i in meter.inputs)


def _house(evidence: Evidence, c: Combination) -> Real:
    house = np.asarray(c.signs) @ evidence.site.grid.power
    for source, state in zip(evidence.sources, c.states, strict=True):
        house = house + np.asarray(state.factors) @ source.track.power
    return house


def _residual(evidence: Evidence, posterior: Posterior) -> tuple[float, float, float, float]:
    """Mean residual, its uncertainty, its lowest mean over 10 s, and as wired [W]."""
    best = posterior.best
    house = _house(evidence, best)
    middle = mean(house)
    variance = 0.0
    for c in posterior.combinations[:20]:
        variance += c.probability * (mean(_house(evidence, c)) - middle) ** 2
    tracks = [(evidence.site.grid.power, np.asarray(best.signs, float))]
    tracks += [
        (s.track.power, np.asarray(state.factors))
        for s, state in zip(evidence.sources, best.states, strict=True)
    ]
    for power, factors in tracks:
        for k in range(power.shape[0]):
            variance += (CLASS_ERROR * factors[k] * mean(power[k])) ** 2 + 1.0
    blocks = max(1, round(10.0 / evidence.site.block_s))
    smooth = np.convolve(house, np.ones(blocks) / blocks, mode="valid")
    seen = smooth[np.isfinite(smooth)]
    wired = evidence.site.grid.power.sum(axis=0)
    for source in evidence.sources:
        wired = wired + source.total
    return middle, math.sqrt(variance), float(seen.min()) if seen.size else middle, mean(wired)
