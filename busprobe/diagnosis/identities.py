"""The identities that one poll of one meter must hold, and by how much it breaks them.

    voltage         within the supply, else a plain factor off: scale, register, byte order
    V_LL and V_LN   V_L1L2^2 = V_L1^2 + V_L2^2 + V_L1 V_L2 (a third of a turn apart)
    frequency       47-52 Hz or 57-62 Hz
    S and V I       S = V I per phase
    P, Q and S      P^2 + Q^2 <= S^2; equality proves nothing (harmonics; Q may come from S and P)
    sums            P = sum of phases, within (n + 1) / 2 register steps and what moves meanwhile
    S total         between the vector and the arithmetic sum
    PF              |PF| = |P| / S; its sign tells the convention, not the direction


References: EN 50160 (supply limits); IEC 62053-21 (accuracy classes); the identities are textbook.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from busprobe.model.reading import PHASES
from busprobe.profiles.uniform import Uniform

# EN 50160, low voltage: all 10 min means within +10 % / -15 % of the nominal voltage.
LOW, HIGH = 0.85, 1.10
# Beyond this a voltage is no supply at all: a brown-out or an open neutral may reach -30 % and
# +25 %. Common practice, no source.
CANNOT_LOW, CANNOT_HIGH = 0.70, 1.25
# Below this an input has no voltage; capacitive pick-up on an open lead stays below. Common
# practice, no source.
ABSENT = 0.10
# EN 50160: 47-52 Hz always in interconnected grids; the same band around 60 Hz.
FREQUENCY_BANDS = ((47.0, 52.0), (57.0, 62.0))
# Values of one meter from one request: they differ by its class (1 % for class 1, IEC 62053-21) and
# by what the load did between two of its measuring cycles. Common practice, no source.
RELATIVE = 0.03
# Below this a float meter shows noise [VA]. Common practice, no source.
NOISE_VA = 10.0
# No meter shows larger values than this, nor smaller ones than that: floats with their words or
# bytes exchanged do. Common practice, no source.
ABSURD_LARGE, ABSURD_SMALL = 1e12, 1e-20
WRAPPED = "what is left when it passes 32767 counts of its signed 16-bit register"
# How sure a violation beyond twice its tolerance is, and one beyond once: judgement, no source.
SURE, LIKELY = 0.99, 0.9

_LINES = (("L1L2", "L1", "L2"), ("L2L3", "L2", "L3"), ("L3L1", "L3", "L1"))
_UNITS = {"P": "W", "Q": "var", "S": "VA"}

_ROOT3 = math.sqrt(3)
_ROOT2 = math.sqrt(2)
_FACTORS: tuple[tuple[float, str], ...] = (
    (_ROOT3, "√3 times too large, as if line to line"),
    (1 / _ROOT3, "√3 times too small, as if line to neutral"),
    (_ROOT2, "√2 times too large, as if a peak value"),
    (1 / _ROOT2, "√2 times too small"),
    (2.0, "twice too large"),
    (0.5, "half of it"),
    (3.0, "three times too large, as if the sum of three phases"),
    (1 / 3, "a third of it, as if one of three phases"),
    (5.0, "five times too large, as the ratio of 5 A and 1 A current transformers"),
    (0.2, "five times too small, as the ratio of 5 A and 1 A current transformers"),
    *((10.0**n, f"{10**n} times too large") for n in range(1, 5)),
    *((10.0**-n, f"{10**n} times too small") for n in range(1, 5)),
)
# A load that is switched may double a value, but hardly makes it ten times as large in two phases.
POWERS_OF_TEN = frozenset(words for factor, words in _FACTORS if math.log10(factor).is_integer())
# Two factors are told apart if they differ by more than this; the nearest pair is 1.73 and 2.
_NEAR = 0.06


def explain(value: float, expected: float, near: float = _NEAR) -> str:
    """What a wrong value is of the right one, in words.

    Args:
        value: As read.
        expected: As it should be, not 0.
        near: Relative distance at which a factor still explains the value.
    """
    if not expected or not value:
        return "not it"
    ratio = abs(value / expected)
    if ratio > 1e6 or ratio < 1e-6:
        return "so far off that the byte order or the type must be wrong"
    distance, words = min((abs(ratio / factor - 1), words) for factor, words in _FACTORS)
    if distance <= near:
        return words
    return f"{ratio:.3g} times that"


def _number(value: float) -> str:
    return f"{value:.0f}" if 10_000 <= abs(value) < 1e9 else f"{value:.4g}"


def _listed(names: Sequence[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


@dataclass(frozen=True, slots=True)
class Doubt:
    """An identity that one poll breaks.

    Attributes:
        subject: The phase, line or quantity concerned.
        ratio: Value over what it should be.
    """

    code: str
    subject: str
    probability: float
    seen: str
    facts: Mapping[str, object]
    ratio: float = 1.0


class _Check:
    """The checks of one poll."""

    def __init__(
        self,
        found: Uniform,
        nominal_v: float,
    ) -> None:
        self.q: Mapping[str, float] = found.quantities
        self.steps = found.steps
        self.system = found.system
        self.phases = PHASES[: found.phases] if found.phases else PHASES
        self.suspect = found.suspect
        self.nominal = nominal_v
        self.doubts: list[Doubt] = []

    def tell(
        self, code: str, probability: float, seen: str, ratio: float = 1.0, **facts: object
    ) -> None:
        """Note a doubt; the first fact names its subject."""
        subject = str(next(iter(facts.values()), ""))
        self.doubts.append(Doubt(code, subject, probability, seen, facts, ratio))

    def step(self, quantity: str) -> float:
        """Register step of a quantity, 0 where it is not known."""
        return self.steps.get(quantity, 0.0)

    def shown(self, *quantities: str) -> str:
        """The values of quantities, as evidence."""
        return ", ".join(f"{n} = {_number(self.q[n])}" for n in quantities if n in self.q)

    def absurd(self) -> bool:
        """Whether several values are of a size that no meter shows."""
        names = [
            name
            for name, value in self.q.items()
            if abs(value) > ABSURD_LARGE or 0 < abs(value) < ABSURD_SMALL
        ]
        if len(names) < 2:
            return False
        self.tell(
            "values-absurd", SURE, self.shown(*names[:6]), names=_listed(names), count=len(names)
        )
        return True

    # Voltage --------------------------------------------------------------------------------

    def voltages(self) -> None:
        """Each line-to-neutral voltage against the supply."""
        if self.system == "3p3w":
            # Without a neutral these registers hold anything.
            return
        held = {p: self.q[f"V_{p}"] for p in self.phases if f"V_{p}" in self.q}
        alive = [p for p, v in held.items() if abs(v) >= ABSENT * self.nominal]
        self._absent({p: v for p, v in held.items() if p not in alive}, bool(alive))
        wrong: dict[str, list[str]] = {}
        for phase in alive:
            ratio = held[phase] / self.nominal
            if LOW <= ratio <= HIGH:
                continue
            if CANNOT_LOW <= ratio <= CANNOT_HIGH:
                self._out_of_limits(phase, held[phase])
            else:
                wrong.setdefault(self._explained_voltage(held[phase]), []).append(phase)
        for explanation, phases in wrong.items():
            names = [f"V_{p}" for p in phases]
            self.tell(
                "voltage-implausible",
                SURE,
                self.shown(*names),
                inputs=", ".join(phases),
                values=", ".join(f"{_number(self.q[n])} V" for n in names),
                nominal=f"{self.nominal:g}",
                explanation=explanation,
            )

    def _explained_voltage(self, value: float) -> str:
        if value < 0:
            return "negative, which no rms value is"
        # The supply itself may be anywhere within its limits.
        return explain(value, self.nominal, near=HIGH - 1)

    def _out_of_limits(self, phase: str, value: float) -> None:
        self.tell(
            "voltage-out-of-limits",
            0.6,
            self.shown(f"V_{phase}"),
            inputs=phase,
            values=f"{_number(value)} V",
            nominal=f"{self.nominal:g}",
            low=f"{LOW * self.nominal:.0f}",
            high=f"{HIGH * self.nominal:.0f}",
        )

    def _absent(self, dead: Mapping[str, float], others_alive: bool) -> None:
        """Inputs without voltage: a fault, unless the map merely has more phases than the meter."""
        if not dead:
            return
        carrying = {p: self.q.get(f"I_{p}", 0.0) > 5 * max(self.step(f"I_{p}"), 0.01) for p in dead}
        # Single-phase meters often come with a three-phase map whose other phases are all 0.
        unused = [p for p in dead if dead[p] == 0 and not carrying[p]]
        if len(self.phases) - len(unused) == 1:
            dead = {p: v for p, v in dead.items() if p not in unused}
        if not dead or not others_alive:
            return
        names = [f"V_{p}" for p in dead]
        with_current = [p for p in dead if carrying[p]]
        self.tell(
            "voltage-absent",
            SURE if with_current else LIKELY,
            self.shown(*names, *(f"I_{p}" for p in dead)),
            inputs=", ".join(dead),
            values=", ".join(f"{_number(v)} V" for v in dead.values()),
            why=f"{', '.join(with_current)} carries current"
            if with_current
            else "the meter is a three-phase one",
        )

    def line_voltages(self) -> None:
        """Line to line against line to neutral."""
        for line, first, second in _LINES:
            names = (f"V_{line}", f"V_{first}", f"V_{second}")
            if any(name not in self.q for name in names) or self.system in ("3p3w", "1p"):
                continue
            measured, a, b = (self.q[name] for name in names)
            if min(a, b) < ABSENT * self.nominal:
                continue  # an input without voltage has been told
            split = self.system == "split"
            expected = a + b if split else math.sqrt(a * a + b * b + a * b)
            slack = RELATIVE * expected + sum(self.step(name) for name in names)
            off = abs(measured - expected)
            if off <= slack:
                continue
            explanation = explain(measured, expected)
            if measured < ABSENT * self.nominal:
                explanation = "next to nothing, as if both leads were on one conductor"
            elif abs(measured - (a + b)) <= slack and not split:
                explanation = "the plain sum, as if the two were opposite (split phase)"
            elif min(abs(measured - a), abs(measured - b)) <= slack:
                explanation = "a line-to-neutral voltage"
            self.tell(
                "line-voltage-mismatch",
                SURE if off > 2 * slack else LIKELY,
                self.shown(*names),
                line=names[0],
                measured=_number(measured),
                expected=_number(expected),
                explanation=explanation,
            )

    def frequency(self) -> None:
        """One of the two public frequencies."""
        value = self.q.get("F")
        if value is None or any(low <= value <= high for low, high in FREQUENCY_BANDS):
            return
        # Whichever of 50 and 60 Hz explains it by a plain factor.
        words = [explain(value, nominal, near=0.05) for nominal in (50.0, 60.0)]
        plain = [w for w in words if not w.endswith("times that")]
        self.tell(
            "frequency-implausible",
            SURE,
            self.shown("F"),
            value=_number(value),
            explanation=(plain or ["no grid that is known"])[0],
        )

    # Power ----------------------------------------------------------------------------------

    def apparent_power(self) -> None:
        """S against V I, and P and Q against both, per phase."""
        for phase in self.phases:
            v, i = self.q.get(f"V_{phase}"), self.q.get(f"I_{phase}")
            product: float | None = None
            slack = 0.0
            if v is not None and i is not None and self.system != "3p3w":
                product = abs(v * i)
                # Half a step either way of both factors.
                slack = abs(v) * self.step(f"I_{phase}") / 2 + abs(i) * self.step(f"V_{phase}") / 2
                slack += RELATIVE * product + NOISE_VA
            s = self.q.get(f"S_{phase}")
            if s is not None and product is not None:
                self._s_against_vi(phase, abs(s), product, slack)
            if s is not None:
                name = f"S_{phase}"
                room = RELATIVE * abs(s) + NOISE_VA + self.step(name)
                self._p_within(phase, abs(s), room, "apparent power S", name)
            elif product is not None:
                self._p_within(phase, product, slack, "V times I", f"V_{phase}", f"I_{phase}")
        if {"P", "S"} <= self.q.keys():
            s = abs(self.q["S"])
            room = RELATIVE * s + NOISE_VA + self.step("S")
            self._p_within("the total", s, room, "apparent power S", "S", names=("P", "Q"))

    def _s_against_vi(self, phase: str, s: float, product: float, slack: float) -> None:
        room = slack + self.step(f"S_{phase}") / 2
        off = abs(s - product)
        if off <= room:
            return
        self.tell(
            "apparent-power-mismatch",
            SURE if off > 2 * room else LIKELY,
            self.shown(f"S_{phase}", f"V_{phase}", f"I_{phase}"),
            s / product if product else math.inf,
            phase=phase,
            value=_number(s),
            expected=_number(product),
            explanation=explain(s, product),
        )

    def _p_within(
        self,
        phase: str,
        limit: float,
        room: float,
        bound: str,
        *shown: str,
        names: tuple[str, str] | None = None,
    ) -> None:
        p_name, q_name = names or (f"P_{phase}", f"Q_{phase}")
        if p_name not in self.q:
            return
        p, q = self.q[p_name], self.q.get(q_name, 0.0)
        power = math.hypot(p, q)
        room += self.step(p_name) / 2 + self.step(q_name) / 2
        if power <= limit + room:
            return
        # P alone decides where it is too large by itself; else Q takes part.
        value = abs(p) if abs(p) > limit + room else power
        self.tell(
            "power-exceeds-apparent",
            SURE if value > limit + 2 * room else LIKELY,
            self.shown(p_name, q_name, *shown),
            value / limit if limit else math.inf,
            phase=phase,
            bound=bound,
            value=f"{_number(value)} W" if value == abs(p) else f"{_number(value)} VA from P and Q",
            limit=f"{_number(limit)} VA",
            explanation=explain(value, limit) if limit else "there is no apparent power at all",
        )

    def sums(self) -> None:
        """Totals against their phases."""
        for quantity in ("P", "Q"):
            names = [f"{quantity}_{p}" for p in self.phases]
            if quantity not in self.q or any(name not in self.q for name in names):
                continue
            parts = [self.q[name] for name in names]
            total, expected = self.q[quantity], sum(parts)
            step = max(self.step(name) for name in (quantity, *names))
            # (n + 1) / 2 register steps for n rounded parts and a rounded total.
            slack = (len(parts) + 1) / 2 * step
            slack += RELATIVE * sum(map(abs, parts)) + (0 if step else 1.0)
            self._sum(quantity, names, total, expected, parts, slack)
        names = [f"S_{p}" for p in self.phases]
        if "S" not in self.q or any(name not in self.q for name in names):
            return
        parts = [abs(self.q[name]) for name in names]
        arithmetic, total = sum(parts), abs(self.q["S"])
        vector = math.hypot(self.q.get("P", 0.0), self.q.get("Q", 0.0))
        step = max(self.step(name) for name in ("S", *names))
        slack = (len(parts) + 1) / 2 * step + RELATIVE * arithmetic + NOISE_VA
        if not vector - slack <= total <= arithmetic + slack:
            # Meters use the arithmetic or the vector sum; both lie within these bounds.
            self._sum("S", names, total, arithmetic, parts, slack)

    def _sum(
        self,
        quantity: str,
        names: Sequence[str],
        total: float,
        expected: float,
        parts: Sequence[float],
        slack: float,
    ) -> None:
        off = abs(total - expected)
        if off <= slack:
            return
        turn = 0x10000 * self.step(quantity)
        if turn and min(abs(total + turn - expected), abs(total - turn - expected)) <= slack:
            explanation = WRAPPED
        elif abs(total + expected) <= slack:
            explanation = "the same with the other sign"
        elif abs(total - sum(map(abs, parts))) <= slack:
            explanation = "the sum without regard to the signs"
        elif abs(total - expected / len(parts)) <= slack / len(parts):
            explanation = "the mean of the phases"
        else:
            same = [n for n, v in zip(names, parts, strict=True) if abs(total - v) <= slack / 3]
            explanation = f"the value of {same[0]}" if same else explain(total, expected)
        self.tell(
            "sum-mismatch",
            SURE if off > 2 * slack else LIKELY,
            self.shown(quantity, *names),
            total / expected if expected else math.inf,
            quantity=quantity,
            value=_number(total),
            expected=_number(expected),
            unit=_UNITS[quantity],
            explanation=explanation,
        )

    def power_factors(self) -> None:
        """|PF| against |P| / S, per phase; a total may be the mean of its phases."""
        for phase in self.phases:
            pf, p = self.q.get(f"PF_{phase}"), self.q.get(f"P_{phase}")
            s = self.q.get(f"S_{phase}")
            if s is None and {f"V_{phase}", f"I_{phase}"} <= self.q.keys():
                s = self.q[f"V_{phase}"] * self.q[f"I_{phase}"]
            if pf is None or p is None or s is None or abs(s) < 5 * NOISE_VA:
                continue
            expected = abs(p / s)
            slack = 2 * RELATIVE + self.step(f"PF_{phase}") + NOISE_VA / abs(s)
            if abs(abs(pf) - expected) <= slack or expected > 1 + RELATIVE:
                continue
            self.tell(
                "power-factor-mismatch",
                LIKELY,
                self.shown(f"PF_{phase}", f"P_{phase}", f"S_{phase}"),
                abs(pf) / expected if expected else math.inf,
                phase=phase,
                value=f"{pf:.3f}",
                expected=f"{expected:.3f}",
            )

    def suspects(self) -> None:
        """Readings that the decoder already doubts, one finding for each reason."""
        reasons: dict[str, list[str]] = {}
        for name, note in self.suspect.items():
            reasons.setdefault(note, []).append(name)
        for note, names in reasons.items():
            listed = _listed(names)
            self.tell(
                "reading-suspect", SURE, self.shown(*names[:6]) or listed, names=listed, note=note
            )


def doubts_of(found: Uniform, nominal_v: float) -> list[Doubt]:
    """Every identity that a poll breaks.

    Args:
        found: The quantities of the poll.
        nominal_v: Nominal line-to-neutral voltage of the supply [V].
    """
    check = _Check(found, nominal_v)
    if check.absurd():
        # Nothing else can be said of such numbers.
        check.suspects()
        return check.doubts
    check.voltages()
    check.line_voltages()
    check.frequency()
    check.apparent_power()
    check.sums()
    check.power_factors()
    check.suspects()
    return check.doubts
