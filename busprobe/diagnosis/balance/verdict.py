"""From the posterior to an answer for each meter and for the site."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.balance import held, levels, words
from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.inside import contained_in
from busprobe.diagnosis.balance.likelihood import Real, fit_slope
from busprobe.diagnosis.balance.posterior import Combination, Posterior
from busprobe.diagnosis.balance.states import HALF, State
from busprobe.diagnosis.balance.types import (
    BalanceDiagnosis,
    BalanceVerdict,
    CounterCheck,
    CurtailMark,
    InputBalance,
    MeterBalance,
    Place,
    Positive,
    Role,
    Sign,
)

# A verdict is given at this probability.
SURE = 0.99
# A phase or a ratio of one input is named at this.
NAMED = 0.95
# Standard uncertainty of a meter of class 1.
CLASS_ERROR = 0.006
WRONG_ANGLE_DEG = 30.0


@dataclass(frozen=True, slots=True)
class Open:
    """What the words about open questions need to know.

    Attributes:
        evidence: All readings.
        meters: The meters so far.
        grid_held: Something unmeasured holds the grid at zero.
        unmetered: Probability of a source that nobody measures.
        marks: What was commanded.
    """

    evidence: Evidence
    meters: tuple[MeterBalance, ...]
    grid_held: bool
    unmetered: float
    marks: tuple[CurtailMark, ...]


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
    answers = held.responses(evidence, marks)
    is_held = held.grid_is_held(evidence)
    sources = tuple(
        _source(evidence, posterior, j, is_held, answers, counters)
        for j in range(len(evidence.sources))
    )
    grid = _grid(evidence, posterior, counters)
    meters = (grid, *sources)
    unmetered = sum(c.probability * c.unmetered for c in posterior.combinations)
    verdict, probability = _verdict(evidence, posterior, meters, unmetered)
    residual, uncertainty, lowest, as_wired = _residual(evidence, posterior)
    open_ = Open(evidence, meters, is_held, unmetered, marks)
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


def _live(source: SourceEvidence, state: State) -> tuple[float, ...]:
    return tuple(state.factors[k] for k in source.live)


def _consumer(source: SourceEvidence, factors: Sequence[float]) -> bool:
    track = source.track
    if track.known.role is not Role.GENERATOR:
        return False
    return levels.draws(np.asarray(factors) @ track.power, track.known.rated_w)


def _grid(
    evidence: Evidence, posterior: Posterior, counters: Mapping[str, CounterCheck | None]
) -> MeterBalance:
    track = evidence.site.grid
    share: dict[tuple[int, ...], float] = {}
    for c in posterior.combinations:
        share[c.signs] = share.get(c.signs, 0.0) + c.probability
    best = max(share, key=lambda s: share[s])
    p = share[best]
    right = all(s > 0 for s in best)
    known = track.known.positive is not Positive.UNKNOWN
    sign = Sign.UNKNOWN
    if p >= NAMED and known:
        sign = Sign.RIGHT if right else Sign.REVERSED
    power = np.asarray(best) @ track.power
    inputs = tuple(
        InputBalance(
            name,
            name,
            (Sign.RIGHT if s > 0 else Sign.REVERSED) if sign is not Sign.UNKNOWN else Sign.UNKNOWN,
            1.0,
            None,
            False,
            None,
            None,
            p,
        )
        for name, s in zip(track.inputs, best, strict=True)
    )
    return MeterBalance(
        track.name,
        Role.GRID,
        sign,
        1.0 if sign is not Sign.UNKNOWN else None,
        track.inputs,
        p,
        p,
        Place.BEHIND_GRID_METER,
        "",
        _mean(track.turn * track.power.sum(axis=0)),
        _mean(power),
        p >= SURE,
        inputs,
        counters.get(track.name),
    )


def _source(
    evidence: Evidence,
    posterior: Posterior,
    number: int,
    is_held: bool,
    answers: Sequence[held.Response],
    counters: Mapping[str, CounterCheck | None],
) -> MeterBalance:
    source = evidence.sources[number]
    track = source.track
    share: dict[tuple[float, ...], float] = {}
    for c in posterior.combinations:
        key = _live(source, c.states[number])
        share[key] = share.get(key, 0.0) + c.probability
    best = max(share, key=lambda s: share[s])
    p = share[best]
    state = next(
        c.states[number] for c in posterior.combinations if _live(source, c.states[number]) == best
    )
    p_sign = {Sign.RIGHT: 0.0, Sign.REVERSED: 0.0}
    for factors, q in share.items():
        kind = _sign_of(factors)
        if kind is not Sign.UNKNOWN:
            p_sign[kind] += q
    sign = max(p_sign, key=lambda s: p_sign[s])
    place, behind = Place.BEHIND_GRID_METER, ""
    nothing = bool(best) and all(f == 0.0 for f in best)
    if not source.live:
        place, p, p_sign[sign] = Place.UNKNOWN, min(p, 0.5), 0.0
    elif is_held:
        place, p, p_sign[sign] = Place.UNKNOWN, min(p, 0.5), min(p_sign[sign], 0.5)
    elif nothing:
        others = tuple(s for j, s in enumerate(evidence.sources) if j != number)
        inside = contained_in(source, others)
        place = Place.NOT_IN_BALANCE if inside is None else Place.BEHIND_OTHER_METER
        behind = "" if inside is None else inside.outer
    elif _consumer(source, state.factors):
        place = Place.CONSUMER
    mistaken = held.mistaken_for(evidence, number, answers)
    if mistaken is not None and place is not Place.BEHIND_OTHER_METER:
        place, behind, p = Place.NOT_IN_BALANCE, mistaken, max(p, SURE)
    known = track.known.positive is not Positive.UNKNOWN
    sure_sign = p_sign[sign] >= SURE and known and place is not Place.UNKNOWN
    decided = p >= SURE and (place is not Place.UNKNOWN) and (known or nothing)
    ratios = {1.0 / abs(f) if f else 0.0 for f in best}
    ratio = ratios.pop() if len(ratios) == 1 and p >= NAMED and place is not Place.UNKNOWN else None
    inputs = tuple(
        _input(evidence, posterior, number, k, known, place is Place.UNKNOWN) for k in source.live
    )
    phases = () if place is Place.UNKNOWN else _phases(evidence, posterior, number)
    true_w = None
    if decided and not nothing:
        true_w = _mean(np.asarray(state.factors) @ track.power)
    return MeterBalance(
        track.name,
        track.known.role,
        sign if sure_sign else Sign.UNKNOWN,
        ratio,
        phases,
        p,
        p_sign[sign],
        place,
        behind,
        _mean(track.turn * track.power.sum(axis=0)),
        true_w,
        decided,
        inputs,
        counters.get(track.name),
    )


def _phases(evidence: Evidence, posterior: Posterior, number: int) -> tuple[str, ...]:
    """The phases that a source feeds, whichever input is on which; empty where that is open."""
    share: dict[tuple[int, ...], float] = {}
    for c in posterior.combinations:
        state = c.states[number]
        fed = sorted(
            state.phases[k] for k in evidence.sources[number].live if state.factors[k] != 0.0
        )
        share[tuple(fed)] = share.get(tuple(fed), 0.0) + c.probability
    best = max(share, key=lambda s: share[s])
    return tuple(evidence.site.phases[p] for p in best) if share[best] >= NAMED else ()


def _sign_of(factors: Sequence[float]) -> Sign:
    """Reversed where any input is."""
    if any(f < 0 for f in factors):
        return Sign.REVERSED
    return Sign.RIGHT if any(f > 0 for f in factors) else Sign.UNKNOWN


def _input(
    evidence: Evidence, posterior: Posterior, number: int, k: int, known: bool, unknown: bool
) -> InputBalance:
    source = evidence.sources[number]
    factor: dict[float, float] = {}
    phase: dict[int, float] = {}
    for c in posterior.combinations:
        state = c.states[number]
        factor[state.factors[k]] = factor.get(state.factors[k], 0.0) + c.probability
        phase[state.phases[k]] = phase.get(state.phases[k], 0.0) + c.probability
    best = max(factor, key=lambda f: factor[f])
    where = max(phase, key=lambda f: phase[f])
    p_sign = sum(q for f, q in factor.items() if f * best > 0)
    angle = float(source.angle_deg[k])
    wrong = not math.isnan(angle) and abs(angle) > WRONG_ANGLE_DEG and abs(best) == HALF
    sign = Sign.UNKNOWN
    if known and best != 0.0 and p_sign >= SURE and not wrong and not unknown:
        sign = Sign.RIGHT if best > 0 else Sign.REVERSED
    slope = _slope(evidence, posterior.best, number, k)
    estimate = uncertainty = None
    if slope is not None and abs(slope[0]) > 1e-3:
        estimate, uncertainty = 1.0 / slope[0], slope[1] / slope[0] ** 2
    ratio = None
    if factor[best] >= NAMED and not unknown:
        ratio = 1.0 / abs(best) if best else 0.0
    named = evidence.site.phases[where] if phase[where] >= NAMED else None
    return InputBalance(
        source.track.inputs[k],
        named,
        sign,
        ratio,
        None if math.isnan(angle) else angle,
        wrong,
        estimate,
        uncertainty,
        factor[best],
    )


def _slope(
    evidence: Evidence, best: Combination, number: int, k: int
) -> tuple[float, float] | None:
    """Change of the site's own balance per change of one input, the others as found."""
    p = best.states[number].phases[k]
    rest = best.signs[p] * evidence.grid_change[p]
    for j, source in enumerate(evidence.sources):
        for i in source.live:
            if (j, i) != (number, k) and best.states[j].phases[i] == p:
                rest = rest + best.states[j].factors[i] * source.change[i]
    return fit_slope(evidence.sources[number].change[k], -rest)


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
    if p_right <= 1.0 - SURE and all(
        s.track.known.positive is not Positive.UNKNOWN for s in sources
    ):
        return BalanceVerdict.AMBIGUOUS, 1.0 - p_right
    return BalanceVerdict.UNDECIDED, max(p_right, 1.0 - p_right)


def _as_planned(source: SourceEvidence, state: State) -> bool:
    live = _live(source, state)
    if source.track.known.role is Role.BATTERY:
        return all(abs(f) in (0.0, 1.0) for f in live)
    return all(f == 1.0 for f in live) and not _consumer(source, state.factors)


def _is_faulty(meter: MeterBalance) -> bool:
    if meter.role is Role.BATTERY:
        return meter.place is Place.BEHIND_GRID_METER and meter.ratio not in (None, 1.0)
    if meter.place in (Place.NOT_IN_BALANCE, Place.BEHIND_OTHER_METER, Place.CONSUMER):
        return True
    if meter.sign is Sign.REVERSED or any(i.sign is Sign.REVERSED for i in meter.inputs):
        return True
    return meter.ratio != 1.0 or any(i.ratio not in (None, 1.0) for i in meter.inputs)


def _mean(values: Real) -> float:
    seen = values[np.isfinite(values)]
    return float(seen.mean()) if seen.size else 0.0


def _house(evidence: Evidence, c: Combination) -> Real:
    house = np.asarray(c.signs) @ evidence.site.grid.power
    for source, state in zip(evidence.sources, c.states, strict=True):
        house = house + np.asarray(state.factors) @ source.track.power
    return house


def _residual(evidence: Evidence, posterior: Posterior) -> tuple[float, float, float, float]:
    """Mean residual, its uncertainty, its lowest mean over 10 s, and as wired [W]."""
    best = posterior.best
    house = _house(evidence, best)
    mean = _mean(house)
    variance = 0.0
    for c in posterior.combinations[:20]:
        variance += c.probability * (_mean(_house(evidence, c)) - mean) ** 2
    tracks = [(evidence.site.grid.power, np.asarray(best.signs, float))]
    tracks += [
        (s.track.power, np.asarray(state.factors))
        for s, state in zip(evidence.sources, best.states, strict=True)
    ]
    for power, factors in tracks:
        for k in range(power.shape[0]):
            variance += (CLASS_ERROR * factors[k] * _mean(power[k])) ** 2 + 1.0
    blocks = max(1, round(10.0 / evidence.site.block_s))
    smooth = np.convolve(house, np.ones(blocks) / blocks, mode="valid")
    seen = smooth[np.isfinite(smooth)]
    wired = evidence.site.grid.power.sum(axis=0)
    for source in evidence.sources:
        wired = wired + source.track.power.sum(axis=0)
    return mean, math.sqrt(variance), float(seen.min()) if seen.size else mean, _mean(wired)
