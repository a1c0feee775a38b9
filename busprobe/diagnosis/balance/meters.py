"""What the posterior says about each meter by itself."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from busprobe.diagnosis.balance import held, levels
from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.inside import contained_in
from busprobe.diagnosis.balance.likelihood import Real, fit_slope
from busprobe.diagnosis.balance.posterior import Combination, Posterior
from busprobe.diagnosis.balance.states import HALF, State
from busprobe.diagnosis.balance.types import (
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
WRONG_ANGLE_DEG = 30.0
UNMETERED = 0.5
# Above this nothing is decided: a source that nobody measures may be a battery that answers.
MAYBE_UNMETERED = 0.2
# An estimate so far from a usual ratio, in shares of it and in standard errors, is another one.
BETWEEN, BETWEEN_ERRORS = 0.15, 5.0
# The regression gives true over shown power; it is turned over only where it is this many standard
# errors away from nothing: the inverse of noise is a small number that seems to be well known.
CLEAR = 3.0
# Blocks between the two ends of a difference.
SLOPE_LAG = 4


def counted(source: SourceEvidence, state: State) -> tuple[float, ...]:
    """Factors of the inputs that enter the balance."""
    return tuple(state.factors[k] for k in source.counted)


def draws_power(source: SourceEvidence, factors: Sequence[float]) -> bool:
    """Whether a generator's meter measures something that draws, with these factors."""
    track = source.track
    if track.known.role is not Role.GENERATOR:
        return False
    return levels.draws(np.asarray(factors) @ track.power, track.known.rated_w)


def mean(values: Real) -> float:
    """Mean of what is there."""
    seen = values[np.isfinite(values)]
    return float(seen.mean()) if seen.size else 0.0


def between(one: InputBalance) -> bool:
    """Whether the estimate of an input lies between the usual ratios, so that none is its own."""
    if one.estimate is None or one.uncertainty is None or not one.ratio:
        return False
    # Errors are symmetrical in true over shown power, not in its inverse.
    away = abs(one.ratio / abs(one.estimate) - 1.0)
    error = one.ratio * one.uncertainty / one.estimate**2
    return away > BETWEEN and away > BETWEEN_ERRORS * error


def grid_meter(
    evidence: Evidence,
    posterior: Posterior,
    is_held: bool,
    counters: Mapping[str, CounterCheck | None],
) -> MeterBalance:
    """The feed-in meter; where something unmeasured holds it, its changes prove nothing."""
    track = evidence.site.grid
    share: dict[tuple[int, ...], float] = {}
    for c in posterior.combinations:
        share[c.signs] = share.get(c.signs, 0.0) + c.probability
    best = max(share, key=lambda s: share[s])
    p = share[best]
    known = track.known.positive is not Positive.UNKNOWN
    # Import positive is the usual sign: without counters it counts as right where it is seen.
    told = p >= SURE and (known or all(s > 0 for s in best)) and not is_held
    sign = Sign.UNKNOWN
    if told:
        sign = Sign.RIGHT if all(s > 0 for s in best) else Sign.REVERSED
    inputs = tuple(
        InputBalance(
            name,
            name,
            Sign.UNKNOWN if not told else Sign.RIGHT if s > 0 else Sign.REVERSED,
            1.0 if told else None,
            None,
            False,
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
        1.0 if told else None,
        track.inputs,
        p,
        p,
        Place.BEHIND_GRID_METER,
        "",
        mean(track.turn * track.power.sum(axis=0)),
        mean(np.asarray(best) @ track.power) if p >= SURE else None,
        told,
        inputs,
        counters.get(track.name),
    )


def source_meter(
    evidence: Evidence,
    posterior: Posterior,
    number: int,
    is_held: bool,
    marks: tuple[CurtailMark, ...],
    counters: Mapping[str, CounterCheck | None],
) -> MeterBalance:
    """The meter of one source.

    Args:
        evidence: All readings.
        posterior: What explains them.
        number: Which source.
        is_held: Something that is not measured holds the grid near zero.
        marks: What was commanded.
        counters: Power against counters, by name of the meter.
    """
    source = evidence.sources[number]
    track = source.track
    best, state, p, p_right, p_reversed = _weighed(source, posterior, number)
    nothing = bool(best) and all(f == 0.0 for f in best)
    place, behind = _place(evidence, number, state, is_held, nothing)
    if place is Place.NOT_IN_BALANCE and _unmetered(posterior) > UNMETERED:
        # A house that is negative without it: something that is not measured answers to it.
        place = Place.UNKNOWN
    mistaken = held.mistaken(evidence, number, marks)
    if mistaken is not None and place is not Place.UNKNOWN:
        place, behind, p = Place.OTHER_SOURCE, mistaken.other, max(p, SURE)
    if place is Place.UNKNOWN:
        p, p_right, p_reversed = min(p, 0.5), min(p_right, 0.5), min(p_reversed, 0.5)
    known = track.known.positive is not Positive.UNKNOWN
    open_ = place is Place.UNKNOWN
    every = (_input(evidence, posterior, number, k, known, open_) for k in source.counted)
    # Where nothing was to be expected nothing is told of.
    inputs = tuple(
        i for i, k in zip(every, source.counted, strict=True) if k in source.live or i.dead
    )
    sign = Sign.UNKNOWN
    # Half the power on the wrong phase has no direction that could be called right.
    if known and not open_ and any(not i.wrong_phase and not i.dead for i in inputs):
        if p_right >= SURE:
            sign = Sign.RIGHT
        elif p_reversed >= SURE and any(i.sign is not Sign.UNKNOWN for i in inputs):
            sign = Sign.REVERSED
    decided = p >= SURE and not open_ and (known or nothing or place is Place.OTHER_SOURCE)
    if place is not Place.OTHER_SOURCE and any(between(i) for i in inputs):
        decided = False
    if _unmetered(posterior) > MAYBE_UNMETERED:
        decided, sign = False, Sign.UNKNOWN
    ratios = {i.ratio for i in inputs}
    ratio = ratios.pop() if len(ratios) == 1 and p >= NAMED and not open_ else None
    true_w = None
    if decided and not nothing:
        true_w = mean(np.asarray(state.factors) @ track.power)
    return MeterBalance(
        track.name,
        track.known.role,
        sign,
        ratio,
        () if open_ else _phases(evidence, posterior, number),
        p,
        max(p_right, p_reversed),
        place,
        behind,
        source.shown_w,
        true_w,
        decided,
        inputs,
        counters.get(track.name),
    )


def _weighed(
    source: SourceEvidence, posterior: Posterior, number: int
) -> tuple[tuple[float, ...], State, float, float, float]:
    """Best factors, a state that has them, and the probabilities of it, of right, of reversed."""
    share: dict[tuple[float, ...], float] = {}
    state_of: dict[tuple[float, ...], State] = {}
    p_right = p_reversed = 0.0
    for c in posterior.combinations:
        factors = counted(source, c.states[number])
        share[factors] = share.get(factors, 0.0) + c.probability
        state_of.setdefault(factors, c.states[number])
        if any(f < 0 for f in factors):
            p_reversed += c.probability
        elif any(f > 0 for f in factors):
            p_right += c.probability
    best = max(share, key=lambda s: share[s])
    return best, state_of[best], share[best], p_right, p_reversed


def _unmetered(posterior: Posterior) -> float:
    return sum(c.probability * c.unmetered for c in posterior.combinations)


def _place(
    evidence: Evidence, number: int, state: State, is_held: bool, nothing: bool
) -> tuple[Place, str]:
    """Where its power flows, and behind which other meter."""
    source = evidence.sources[number]
    if not source.live or is_held:
        return Place.UNKNOWN, ""
    if nothing:
        others = tuple(s for j, s in enumerate(evidence.sources) if j != number)
        inside = contained_in(source, others)
        if inside is None:
            return Place.NOT_IN_BALANCE, ""
        return Place.BEHIND_OTHER_METER, inside.outer
    if draws_power(source, state.factors):
        return Place.CONSUMER, ""
    return Place.BEHIND_GRID_METER, ""


def _phases(evidence: Evidence, posterior: Posterior, number: int) -> tuple[str, ...]:
    """The phases that a source feeds, whichever input is on which; empty where that is open."""
    share: dict[tuple[int, ...], float] = {}
    for c in posterior.combinations:
        state = c.states[number]
        fed = {state.phases[k] for k in evidence.sources[number].counted if state.factors[k] != 0.0}
        key = tuple(sorted(fed))
        share[key] = share.get(key, 0.0) + c.probability
    best = max(share, key=lambda s: share[s])
    return tuple(evidence.site.phases[p] for p in best) if share[best] >= NAMED else ()


def _input(
    evidence: Evidence, posterior: Posterior, number: int, k: int, known: bool, open_: bool
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
    named = evidence.site.phases[where] if phase[where] >= NAMED and not open_ else None
    if k in source.dead:
        dead = best != 0.0 and factor[best] >= NAMED and not open_
        ratio = 0.0 if dead else None
        return InputBalance(
            source.track.inputs[k],
            named if dead else None,
            Sign.UNKNOWN,
            ratio,
            None,
            False,
            dead,
            None,
            None,
            factor[best],
        )
    angle = float(source.angle_deg[k])
    wrong: bool | None = False
    if abs(best) == HALF:
        wrong = None if math.isnan(angle) else abs(angle) > WRONG_ANGLE_DEG
    p_sign = sum(q for f, q in factor.items() if f * best > 0)
    sign = Sign.UNKNOWN
    # Half the wrong way is a wrong phase as a rule; half the right way is a ratio as a rule.
    told = wrong is False or (wrong is None and best > 0)
    if known and best != 0.0 and p_sign >= SURE and told and not open_:
        sign = Sign.RIGHT if best > 0 else Sign.REVERSED
    estimate = uncertainty = None
    slope = _slope(evidence, posterior.best, number, k)
    if slope is not None and abs(slope[0]) > max(1e-3, CLEAR * slope[1]):
        estimate, uncertainty = 1.0 / slope[0], slope[1] / slope[0] ** 2
    ratio = None
    if factor[best] >= NAMED and not open_:
        ratio = 1.0 / abs(best) if best else 0.0
    return InputBalance(
        source.track.inputs[k],
        named,
        sign,
        ratio,
        None if math.isnan(angle) else angle,
        wrong,
        False,
        estimate,
        uncertainty,
        factor[best],
    )


def _slope(
    evidence: Evidence, best: Combination, number: int, k: int
) -> tuple[float, float] | None:
    """Change of the site's own balance per change of one input, the others as found.

    Differences over several blocks straddle the ramps, so that the shift of instants between two
    meters does not make the slope too flat.
    """
    p = best.states[number].phases[k]
    grid = evidence.site.grid
    rest, square = best.signs[p] * grid.power[p], grid.shift[p] ** 2
    for j, source in enumerate(evidence.sources):
        for i in source.counted:
            if (j, i) != (number, k) and best.states[j].phases[i] == p:
                factor = best.states[j].factors[i]
                rest = rest + factor * source.track.power[i]
                square = square + (factor * source.track.shift[i]) ** 2
    own = evidence.sources[number].track
    square = square + (best.states[number].factors[k] * own.shift[k]) ** 2 + 1.0
    if rest.size <= SLOPE_LAG + 4:
        return None
    x = own.power[k][SLOPE_LAG:] - own.power[k][:-SLOPE_LAG]
    y = rest[:-SLOPE_LAG] - rest[SLOPE_LAG:]
    error = np.sqrt(square[SLOPE_LAG:] + square[:-SLOPE_LAG])
    fit = fit_slope(x, y, error)
    # The differences overlap.
    return None if fit is None else (fit[0], fit[1] * math.sqrt(SLOPE_LAG))
