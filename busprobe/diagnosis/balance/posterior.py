"""All meters together: which states of all of them explain the changes and the levels.

Theory of operation: the changes of each phase of the feed-in meter depend only on the inputs that
feed this phase, so likelihoods are tables by phase. For every possible sign of the feed-in meter
the states of one source after the other are weighed with the others held, from several starts;
the best few states of each are then combined in full, because two sources under one sky move
together and may stand in for each other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import product

import numpy as np

from busprobe.diagnosis.balance import levels
from busprobe.diagnosis.balance.evidence import Evidence, SourceEvidence
from busprobe.diagnosis.balance.likelihood import Real, log_sum
from busprobe.diagnosis.balance.states import P_CONSUMER, P_REVERSED, State, grid_signs, states
from busprobe.diagnosis.balance.tables import Tables
from busprobe.diagnosis.balance.types import Positive, Role

# Changes of a house are not quite independent: hobs and thermostats come back.
TEMPER = 0.85
# A wrong lead phase shows an angle of 60 or 120 degrees; a generator's own angle is small.
ANGLE_FIT = math.log(0.02)
ANGLE_DEG = 30.0
# No consumer follows a generator that is held back on command, twice.
FOLLOWED = math.log(0.001)
# What holds the grid at zero arrives there; its ratio is no question that its changes answer.
IN_LOOP = 1000.0
_KEPT = {1: 200, 2: 40, 3: 12}
_KEPT_MORE = 6
_WITHIN = 25.0
_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Combination:
    """One explanation of everything.

    Attributes:
        signs: Sign of each phase of the feed-in meter.
        states: State of each source's meter.
        probability: Of this explanation.
        unmetered: Probability that it needs a source that nobody measures.
    """

    signs: tuple[int, ...]
    states: tuple[State, ...]
    probability: float
    unmetered: float


@dataclass(frozen=True, slots=True)
class Posterior:
    """Explanations, most probable first, probabilities summing to 1."""

    combinations: tuple[Combination, ...]

    @property
    def best(self) -> Combination:
        """The most probable."""
        return self.combinations[0]


class _Search:
    def __init__(
        self, evidence: Evidence, followers: frozenset[int], in_loop: frozenset[int]
    ) -> None:
        self.evidence = evidence
        self.followers = followers
        self.in_loop = in_loop
        self.count = len(evidence.site.phases)
        self.states = [self._states_of(s) for s in evidence.sources]
        self.tables = Tables(evidence, self.states, bool(in_loop))
        self.own = [self._own_fit(j) for j in range(len(self.states))]

    def _states_of(self, source: SourceEvidence) -> tuple[State, ...]:
        known = source.track.known
        return states(
            known.role,
            source.live,
            source.dead,
            len(source.track.inputs),
            self.count,
            sign_known=known.positive is not Positive.UNKNOWN,
            named_alike=source.named_alike,
        )

    def _own_fit(self, number: int) -> Real:
        """Prior of each state, and what the meter's own readings say about it."""
        source, all_states = self.evidence.sources[number], self.states[number]
        out = np.empty(len(all_states))
        of_factors: dict[tuple[float, ...], float] = {}
        worst_leads = min(source.lead_fit.values(), default=0.0)
        for n, state in enumerate(all_states):
            if state.factors not in of_factors:
                of_factors[state.factors] = self._factors_fit(number, state)
            fit = state.log_prior + of_factors[state.factors]
            if source.lead_fit:
                fit += source.lead_fit.get(state.phases, worst_leads)
            out[n] = fit
        return out

    def _factors_fit(self, number: int, state: State) -> float:
        """What a meter's own readings say about its factors, whichever phases they are on."""
        source = self.evidence.sources[number]
        known = source.track.known
        fit = _angle_fit(source, state)
        power = np.asarray(state.factors) @ source.track.power
        if known.role is Role.GENERATOR and levels.draws(power, known.rated_w):
            fit += math.log(P_CONSUMER) + _sign_again(state, known.positive)
            if number in self.followers:
                fit += FOLLOWED
        if known.rated_w is not None and _too_much(power, known.rated_w):
            fit -= 6.0
        if number in self.in_loop and any(abs(state.factors[k]) != 1.0 for k in source.live):
            fit -= IN_LOOP
        return fit

    def run(self) -> Posterior:
        found: list[tuple[float, tuple[int, ...], tuple[State, ...], float]] = []
        grid_known = self.evidence.site.grid.known.positive is not Positive.UNKNOWN
        for signs, log_prior in grid_signs(self.count, grid_known):
            kept = self._kept(signs)
            index = np.array(list(product(*kept)), dtype=np.int64)
            changes, level = self.tables.weigh(index, signs)
            own = np.sum([o[index[:, j]] for j, o in enumerate(self.own)], axis=0)
            total = log_prior + own + TEMPER * changes + levels.bounded(level)
            if self.in_loop and all(sign < 0 for sign in signs):
                # With a meter that counts the wrong way a loop runs away from zero.
                total -= IN_LOOP
            unmetered = levels.unmetered(level)
            for n in np.flatnonzero(total > total.max() - _WITHIN):
                chosen = tuple(self.states[j][i] for j, i in enumerate(index[n]))
                found.append((float(total[n]), signs, chosen, float(unmetered[n])))
        logs = np.array([f[0] for f in found])
        share = np.exp(logs - log_sum(logs))
        order = np.argsort(-share, kind="stable")
        return Posterior(
            tuple(
                Combination(found[n][1], found[n][2], float(share[n]), found[n][3]) for n in order
            )
        )

    def _kept(self, signs: tuple[int, ...]) -> list[list[int]]:
        """Indices of the states of each source that deserve to be combined."""
        sources = len(self.states)
        most = _KEPT.get(sources, _KEPT_MORE)
        worth = [np.full(len(s), -math.inf) for s in self.states]
        for start in self._starts():
            at = list(start)
            for _ in range(_ROUNDS if sources > 1 else 1):
                before = tuple(at)
                for j, own in enumerate(self.own):
                    index = np.tile(np.array(at, dtype=np.int64), (own.size, 1))
                    index[:, j] = np.arange(own.size)
                    changes, level = self.tables.weigh(index, signs)
                    others = sum(self.own[i][at[i]] for i in range(sources) if i != j)
                    total = own + others + TEMPER * changes + levels.bounded(level)
                    worth[j] = np.maximum(worth[j], total)
                    at[j] = int(np.argmax(total))
                if tuple(at) == before:
                    break
        return [
            [int(n) for n in np.argsort(-w, kind="stable")[:most] if w[n] > w.max() - _WITHIN]
            for w in worth
        ]

    def _starts(self) -> list[tuple[int, ...]]:
        """Everything as planned; each source reversed; each source alone."""
        right = tuple(int(np.argmax(o)) for o in self.own)
        starts = [right]
        if len(right) == 1:
            return starts
        for kind in (-1.0, 0.0):
            for j, all_states in enumerate(self.states):
                other = next(
                    (
                        n
                        for n, s in enumerate(all_states)
                        if s.phases == all_states[right[j]].phases
                        and all(f == kind for f in s.factors)
                    ),
                    right[j],
                )
                starts.append(tuple(other if i == j else r for i, r in enumerate(right)))
        return list(dict.fromkeys(starts))


def _angle_fit(source: SourceEvidence, state: State) -> float:
    """Whether halves go with an angle of 60 degrees, and whole ones with none."""
    fit = 0.0
    for k in source.live:
        angle = source.angle_deg[k]
        if math.isnan(angle):
            continue
        turned = abs(angle) > ANGLE_DEG
        half = abs(state.factors[k]) == 2.0
        if turned != half and state.factors[k] != 0.0:
            fit += ANGLE_FIT
    return fit


def _sign_again(state: State, positive: Positive) -> float:
    """A consumer's meter may count either way: take back what was assumed for a source."""
    if positive is Positive.UNKNOWN:
        return 0.0
    turned = sum(state.factors) < 0.0
    return math.log(0.5) - math.log(P_REVERSED if turned else 1.0 - P_REVERSED)


def _too_much(power_w: Real, rated_w: float) -> bool:
    """Whether a source would give far more than its rating [W, NaN where missing]."""
    seen = np.abs(power_w[np.isfinite(power_w)])
    return bool(np.quantile(seen, 0.9) > 1.2 * rated_w + 50.0) if seen.size else False


def weigh_all(
    evidence: Evidence,
    followers: frozenset[int] = frozenset(),
    in_loop: frozenset[int] = frozenset(),
) -> Posterior:
    """The posterior over all explanations.

    Args:
        evidence: All readings.
        followers: Numbers of the sources whose meters followed when they were held back.
        in_loop: Numbers of the sources that hold the grid at zero.
    """
    return _Search(evidence, followers, in_loop).run()
