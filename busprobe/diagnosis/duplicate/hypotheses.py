"""How likely each kind of exchange is, with one device and with two.

Theory of operation:

- One device on a line that damages a character with probability q delivers an intact answer of n
  characters with probability (1 - q)^n. q is unknown: a grid is integrated over, narrowed by what
  other addresses of the same line show. What fails then has mostly the right length and head, and
  *equal lengths fail equally often*, whatever the registers hold.
- Two devices collide in ways that depend on distance, drivers and turn-arounds, not on q. Each way
  is a regime with its own shares of the kinds, after the shares computed with an independent line
  and UART model (equal drivers close together; capture by the nearer one; turn-arounds far apart).
  Devices that answer at the same instant agree on equal data and destroy unequal data: there the
  shares depend on whether the registers asked hold the same in both.
- A second device may be hidden nearly always. That regime is nearly the same as one device; it is
  what keeps "single" from ever being certain.

The likelihood of a course of exchanges under "two" is the weighted sum over the regimes, under
"one" the weighted sum over the grid; prior odds and identity evidence complete the posterior.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.diagnosis.duplicate.observe import Kind, Observation

# How often two meters share an address on a bus where a second one has just been added: they leave
# the factory alike. Common practice, no source.
PRIOR_TWO = 0.15

# Damage per character, from a clean line to one that hardly works.
_DAMAGE = (1e-5, 1e-4, 1e-3, 3e-3, 0.01, 0.03, 0.06, 0.1, 0.2)
_DAMAGE_WEIGHT = (0.30, 0.22, 0.16, 0.10, 0.08, 0.06, 0.04, 0.03, 0.01)
# Share of answers with a lone 00 or FF beside them: nothing, or a line without bias.
_GLITCH = (0.002, 0.3, 0.9)
_GLITCH_WEIGHT = (0.85, 0.08, 0.07)
# Share of requests that stay unanswered: a healthy device, one that needs a rest, a bad one.
_MUTE = (0.003, 0.1, 0.45)
_MUTE_WEIGHT = (0.90, 0.07, 0.03)

# With one device a second valid answer needs a late one to an earlier request, or a device that
# sends twice; bytes after an answer need noise in the silence behind it.
_SINGLE_TWO = 2e-5
_SINGLE_EXTRA = 3e-4
# What noise leaves of a damaged answer: mostly right length and head.
_SINGLE_GARBLED = 0.30


@dataclass(frozen=True, slots=True)
class Regime:
    """One way in which two devices share an address.

    Attributes:
        name: For evidence and tests.
        weight: Prior weight among the regimes.
        same: Shares of the kinds where both devices send the same data.
        different: Shares where their data differ.
    """

    name: str
    weight: float
    same: dict[Kind, float]
    different: dict[Kind, float]


def _shares(
    *,
    clean: float = 0.0,
    two: float = 0.0,
    tail: float = 0.0,
    head: float = 0.0,
    garbled: float = 0.0,
    broken: float = 0.0,
    silent: float = 0.005,
) -> dict[Kind, float]:
    """Shares of the kinds, with a floor for what nobody thought of, made to sum to one."""
    raw = {
        Kind.CLEAN: clean,
        Kind.FLANKED: 0.1 * clean,
        Kind.TWO: two,
        Kind.TAIL: tail,
        Kind.HEAD: head,
        Kind.GARBLED: garbled,
        Kind.BROKEN: broken,
        Kind.SILENT: silent,
    }
    floored = {kind: value + 0.004 for kind, value in raw.items()}
    total = sum(floored.values())
    return {kind: value / total for kind, value in floored.items()}


def _regime(name: str, weight: float, same: dict[Kind, float], other: dict[Kind, float]) -> Regime:
    return Regime(name, weight, same, other)


_GARBLE = _shares(clean=0.03, tail=0.04, head=0.02, garbled=0.75, broken=0.16)
_CAPTURE = _shares(clean=0.20, tail=0.35, head=0.04, garbled=0.28, broken=0.13)
_APART = _shares(clean=0.04, two=0.86, tail=0.03, head=0.02, garbled=0.05)
_MIXED = _shares(clean=0.08, two=0.30, tail=0.25, head=0.10, garbled=0.22, broken=0.05)
_TWINS_SAME = _shares(clean=0.90, tail=0.02, garbled=0.05, broken=0.03)
_TWINS_DIFFERENT = _shares(clean=0.04, tail=0.03, garbled=0.28, broken=0.65)
_HIDDEN = _shares(clean=0.93, two=0.01, tail=0.03, garbled=0.02, broken=0.01)
_POLITE = _shares(clean=0.97, garbled=0.02, broken=0.01)

REGIMES = (
    _regime("equal drivers close together", 0.22, _GARBLE, _GARBLE),
    _regime("one captures the line", 0.24, _CAPTURE, _CAPTURE),
    _regime("turn-arounds far apart", 0.18, _APART, _APART),
    _regime("turn-arounds that overlap at times", 0.16, _MIXED, _MIXED),
    _regime("the same instant", 0.10, _TWINS_SAME, _TWINS_DIFFERENT),
    _regime("the same instant, unlike devices", 0.02, _TWINS_DIFFERENT, _TWINS_DIFFERENT),
    _regime("one waits while it hears another", 0.06, _POLITE, _POLITE),
    _regime("one hidden nearly always", 0.02, _HIDDEN, _HIDDEN),
)


@dataclass(frozen=True, slots=True)
class Background:
    """What other addresses of the same line show.

    Attributes:
        characters: Characters of answers expected from them.
        damaged: How many of their answers were damaged.
    """

    characters: int = 0
    damaged: int = 0


def log_single(observations: Sequence[Observation], background: Background) -> float:
    """Log likelihood of a course of exchanges with one device on the line."""
    terms: list[float] = []
    for q, q_weight in zip(_DAMAGE, _DAMAGE_WEIGHT, strict=True):
        base = math.log(q_weight) + _log_background(q, background)
        intact = [math.exp(o.characters * math.log1p(-q)) for o in observations]
        for glitch, glitch_weight in zip(_GLITCH, _GLITCH_WEIGHT, strict=True):
            for mute, mute_weight in zip(_MUTE, _MUTE_WEIGHT, strict=True):
                total = base + math.log(glitch_weight) + math.log(mute_weight)
                for o, whole in zip(observations, intact, strict=True):
                    total += math.log(_single_share(o.kind, whole, q, glitch, mute))
                terms.append(total)
    return _log_sum(terms)


def _single_share(kind: Kind, whole: float, q: float, glitch: float, mute: float) -> float:
    extra = _SINGLE_EXTRA + min(0.2, 2 * q)
    broken = max(1e-9, 1 - whole)
    answered = 1 - mute
    shares = {
        Kind.SILENT: mute,
        Kind.TWO: answered * whole * _SINGLE_TWO,
        Kind.TAIL: answered * whole * extra,
        Kind.HEAD: answered * whole * extra,
        Kind.FLANKED: answered * whole * glitch,
        Kind.CLEAN: answered * whole * max(1e-6, 1 - glitch - 2 * extra),
        Kind.GARBLED: answered * broken * _SINGLE_GARBLED,
        Kind.BROKEN: answered * broken * (1 - _SINGLE_GARBLED),
    }
    return max(shares[kind], 1e-12)


def log_two(observations: Sequence[tuple[Observation, bool]], background: Background) -> float:
    """Log likelihood with two devices.

    Args:
        observations: Each with whether both devices hold the same data in the registers asked.
        background: Explained as well as with one device: it belongs to other addresses.
    """
    return _log_sum([value for _, value in regime_logs(observations)]) + _log_sum(
        [
            math.log(weight) + _log_background(q, background)
            for q, weight in zip(_DAMAGE, _DAMAGE_WEIGHT, strict=True)
        ]
    )


def _log_background(q: float, background: Background) -> float:
    sound = background.characters - background.damaged
    return background.damaged * math.log(q) + sound * math.log1p(-q)


def regime_logs(observations: Sequence[tuple[Observation, bool]]) -> list[tuple[str, float]]:
    """Log of prior weight times likelihood, by regime."""
    return [
        (
            regime.name,
            math.log(regime.weight)
            + sum(
                math.log((regime.same if same else regime.different)[o.kind])
                for o, same in observations
            ),
        )
        for regime in REGIMES
    ]


def _log_sum(values: Sequence[float]) -> float:
    top = max(values)
    return top + math.log(sum(math.exp(v - top) for v in values))
