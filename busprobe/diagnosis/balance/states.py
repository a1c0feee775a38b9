"""What can be wrong with a source's meter, and how often it is.

A state says of every input on which phase of the feed-in meter its conductor lies, and by which
factor its reading has to be multiplied to give the true power: 1 where it is right, -1 where it is
reversed, 2 where it shows half, 0 where its power does not pass the feed-in meter at all. The
priors are common practice, no source; only their order of magnitude matters.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import permutations, product

from busprobe.diagnosis.balance.types import Role

# Shown over true power; a CT setting of 50 instead of 100, 5 A against 1 A, a decimal point.
RATIOS = (0.5, 2.0, 0.25, 4.0, 0.1, 10.0)
P_RATIO = 0.006
P_REVERSED = 0.06
P_NOT_THERE = 0.02
P_ONE_INPUT = 0.03
# Of these, so many are reversed; the others are dead, or on another phase than their lead.
ONE_REVERSED = 0.5
P_PAIR = 0.01
P_SHIFTED = 0.005
# An input that shows nothing: with one live input of three the generator is single-phase as a rule;
# with two of three a CT is dead as a rule.
P_DEAD = {1: 0.01, 2: 0.7}
# A meter that was said to measure a source, but sits at a consumer.
P_CONSUMER = 0.03
# A feed-in meter with all, or one, of its CTs reversed: it is proved by itself before, as a rule.
P_GRID_REVERSED = 0.02
P_GRID_ONE = 0.003
# Names of phases at two meters differ as often as not where nobody cared.
P_SAME_NAMES = 0.6
# Batteries are behind their hybrid inverter as a rule, and their sign is anybody's guess.
P_BATTERY_INSIDE = 0.6
# An inverter's own readings: another sign than usual, another scale, not on this site.
P_OWN_TURNED = 0.02
P_OWN_RATIO = 0.0005
P_OWN_NOT_THERE = 0.005
HALF = 2.0

Add = Callable[[Sequence[float], float], None]


@dataclass(frozen=True, slots=True)
class State:
    """One way to be connected.

    Attributes:
        phases: Index of the feed-in meter's phase for each input.
        factors: True power over reading for each input, signed.
        log_prior: Of this state.
    """

    phases: tuple[int, ...]
    factors: tuple[float, ...]
    log_prior: float


def grid_signs(phases: int, sign_known: bool) -> tuple[tuple[tuple[int, ...], float], ...]:
    """Signs of the feed-in meter's inputs, with log priors."""
    right = tuple([1] * phases)
    wrong = tuple([-1] * phases)
    p_wrong = P_GRID_REVERSED if sign_known else 0.5
    found = [(right, 1.0 - p_wrong), (wrong, p_wrong)]
    if phases > 1:
        for k in range(phases):
            for base, share in ((1, 1.0 - p_wrong), (-1, p_wrong)):
                one = tuple(-base if j == k else base for j in range(phases))
                found.append((one, P_GRID_ONE * share))
    return tuple((signs, math.log(p)) for signs, p in found)


def states(
    role: Role,
    live: Sequence[int],
    dead: Sequence[int],
    inputs: int,
    phases: int,
    *,
    sign_known: bool,
    named_alike: Sequence[int],
) -> tuple[State, ...]:
    """All states of one source's meter.

    Args:
        role: What it is said to measure.
        live: Inputs that carry anything; the others say nothing and keep their place.
        dead: Inputs that show nothing, although their phases may be fed.
        inputs: How many inputs it has.
        phases: How many phases the feed-in meter has.
        sign_known: Whether it is known what a positive power means at this meter.
        named_alike: Phase of the feed-in meter with the same name, for each input.
    """
    found: list[State] = []
    maps = _maps((*live, *dead), inputs, phases, named_alike)
    for factors, log_factor in _factors(role, live, inputs, sign_known):
        for completed, log_dead in _with_dead(factors, live, dead):
            for places, log_place in maps:
                found.append(State(places, completed, log_factor + log_dead + log_place))
    return tuple(found)


def _with_dead(
    factors: tuple[float, ...], live: Sequence[int], dead: Sequence[int]
) -> list[tuple[tuple[float, ...], float]]:
    """The dead inputs: nothing there, or as much as on the live ones (whose sign they share)."""
    nothing = tuple(0.0 if k in dead else f for k, f in enumerate(factors))
    if not dead:
        return [(factors, 0.0)]
    size = abs(factors[live[0]])
    if any(abs(factors[k]) != size for k in live) or size == 0.0:
        return [(nothing, 0.0)]
    fed = tuple(size if k in dead else f for k, f in enumerate(factors))
    p = P_DEAD[len(live)]
    return [(nothing, math.log(1.0 - p)), (fed, math.log(p))]


def _maps(
    counted: Sequence[int], inputs: int, phases: int, named_alike: Sequence[int]
) -> list[tuple[tuple[int, ...], float]]:
    """Which input feeds which phase; the others do not matter."""
    usual = tuple(named_alike)
    choices = {
        tuple(_placed(usual, counted, places))
        for places in permutations(range(phases), min(len(counted), phases))
    }
    if usual not in choices or len(choices) == 1:
        return (
            [(usual, 0.0)] if len(choices) <= 1 else [(c, -math.log(len(choices))) for c in choices]
        )
    rest = (1.0 - P_SAME_NAMES) / (len(choices) - 1)
    return [(c, math.log(P_SAME_NAMES if c == usual else rest)) for c in sorted(choices)]


def _placed(usual: tuple[int, ...], counted: Sequence[int], places: Sequence[int]) -> list[int]:
    out = list(usual)
    for k, place in zip(counted, places, strict=False):
        out[k] = place
    return out


def _factors(
    role: Role, live: Sequence[int], inputs: int, sign_known: bool
) -> list[tuple[tuple[float, ...], float]]:
    """Factors of all inputs together, with log priors."""
    if role is Role.HYBRID:
        return _own_readings(inputs, sign_known)
    p_reversed = P_REVERSED if sign_known else 0.5
    signs = ((1.0, 1.0 - p_reversed), (-1.0, p_reversed))
    usual: dict[tuple[float, ...], float] = {}

    def add(factors: Sequence[float], p: float) -> None:
        usual[tuple(factors)] = usual.get(tuple(factors), 0.0) + p

    p_nothing = P_BATTERY_INSIDE if role is Role.BATTERY else P_NOT_THERE
    faults = len(RATIOS) * P_RATIO + p_nothing + P_ONE_INPUT + P_PAIR + P_SHIFTED
    add([0.0] * inputs, p_nothing)
    for sign, share in signs:
        add([sign] * inputs, share * (1.0 - faults))
        for ratio in RATIOS:
            add([sign / ratio] * inputs, share * P_RATIO)
    if len(live) > 1:
        for sign, share in signs:
            _one_input(add, live, inputs, sign, share * P_ONE_INPUT)
            _two_inputs(add, live, inputs, sign, share * P_PAIR)
            # All CTs one phase on: each shows -1/2 of a symmetrical generator.
            add([-HALF * sign] * inputs, share * P_SHIFTED)
    total = sum(usual.values())
    return [(factors, math.log(p / total)) for factors, p in usual.items()]


def _own_readings(inputs: int, sign_known: bool) -> list[tuple[tuple[float, ...], float]]:
    """An inverter's own readings: it has no CTs that anybody could turn or exchange."""
    p_turned = P_OWN_TURNED if sign_known else 0.5
    found = [((0.0,) * inputs, P_OWN_NOT_THERE)]
    rest = 1.0 - P_OWN_NOT_THERE - len(RATIOS) * P_OWN_RATIO
    for sign, share in ((1.0, 1.0 - p_turned), (-1.0, p_turned)):
        found.append(((sign,) * inputs, share * rest))
        found += [((sign / ratio,) * inputs, share * P_OWN_RATIO) for ratio in RATIOS]
    return [(factors, math.log(p)) for factors, p in found]


def _one_input(add: Add, live: Sequence[int], inputs: int, sign: float, p: float) -> None:
    """One CT reversed, dead, or on another phase than its lead."""
    rest = (1.0 - ONE_REVERSED) / 3.0
    others = (
        (-sign, ONE_REVERSED),
        (0.0, rest),
        (HALF * sign, rest),
        (-HALF * sign, rest),
    )
    for k, (other, share) in product(live, others):
        factors = [sign] * inputs
        factors[k] = other
        add(factors, p * share / len(live))


def _two_inputs(add: Add, live: Sequence[int], inputs: int, sign: float, p: float) -> None:
    """Two CTs exchanged, each of them either way round."""
    if len(live) != 3:
        return
    kinds = ((-HALF, -HALF), (HALF, -HALF), (-HALF, HALF), (HALF, HALF))
    for alone, (a, b) in product(live, kinds):
        factors = [sign] * inputs
        first, second = (k for k in live if k != alone)
        factors[first], factors[second] = a * sign, b * sign
        add(factors, p / (3 * len(kinds)))
