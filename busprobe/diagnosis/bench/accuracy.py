"""Reference readings and how far a meter of a class may be off.

    class     current (share of Ib direct / of In with CT)      PF 1    PF 0.5 ind / 0.8 cap
    2, A      from 0.05 / 0.02                                   2.5     2.5
              from 0.10 / 0.05                                   2.0     2.0
    1, B      from 0.05 / 0.02                                   1.5     1.5
              from 0.10 / 0.05                                   1.0     1.0
    0.5, 0.5S, C   from 0.05 / 0.01                              1.0     1.0
              from 0.10 / 0.05                                   0.5     0.6
    0.2S      from - / 0.01                                      0.4     0.5
              from - / 0.05                                      0.2     0.3

Limits of percentage error, balanced load: IEC 62053-21 (classes 0.5, 1 and 2), IEC 62053-22 (0.2S
and 0.5S), EN 50470-3 (A, B and C), all from memory; for a power factor other than 1 the second step
of current begins at twice the share. The classes speak of energy. The registers of power are held
to the same, since energy is their sum; those of voltage, current and frequency are subject to no
class of an energy meter (IEC 61557-12 has such), so they get a limit of common practice, no source.

Below the lowest current no accuracy is promised, so nothing is judged there.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from busprobe.diagnosis.bench.types import ReferenceResult
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.errors import InputError
from busprobe.model.reading import PHASES, Snapshot

_QUANTITY = re.compile(r"([VIPQS](_L[123])?|V_L[123]L[123]|PF(_L[123])?|F)")
_UNITS = {"V": "V", "I": "A", "P": "W", "Q": "var", "S": "VA", "F": "Hz", "PF": ""}
# IEC 62053-23, class 2, from memory: reactive energy has classes of its own.
_REACTIVE_PERCENT = 2.0
# Voltage and current registers, frequency and power factor. Common practice, no source.
_VOLTAGE_CURRENT_PERCENT = 1.0
_FREQUENCY_HZ = 0.05
_POWER_FACTOR = 0.02
_UNITY = 0.99


@dataclass(frozen=True, slots=True)
class AccuracyClass:
    """Limits of a class; see the table at the head of the module.

    Attributes:
        name: As written on the meter.
        source: Standard that has it.
        full: Percent from the transitional current on, at power factor 1 and otherwise.
        low: Percent below it, likewise.
        low_direct: Lowest share of Ib at which the class holds, direct connection; None for none.
        low_ct: Lowest share of In at which it holds, with CTs.
        full_direct: Share of Ib from which `full` holds.
        full_ct: Share of In from which `full` holds.
    """

    name: str
    source: str
    full: tuple[float, float]
    low: tuple[float, float]
    low_direct: float | None
    low_ct: float
    full_direct: float = 0.1
    full_ct: float = 0.05


def _class(
    name: str,
    source: str,
    full: tuple[float, float],
    low: tuple[float, float],
    lowest: tuple[float | None, float],
) -> AccuracyClass:
    return AccuracyClass(name, f"{source}, from memory", full, low, *lowest)


CLASSES: Mapping[str, AccuracyClass] = {
    c.name: c
    for c in (
        _class("0.2S", "IEC 62053-22", (0.2, 0.3), (0.4, 0.5), (None, 0.01)),
        _class("0.5S", "IEC 62053-22", (0.5, 0.6), (1.0, 1.0), (None, 0.01)),
        _class("0.5", "IEC 62053-21", (0.5, 0.6), (1.0, 1.0), (0.05, 0.01)),
        _class("1", "IEC 62053-21", (1.0, 1.0), (1.5, 1.5), (0.05, 0.02)),
        _class("2", "IEC 62053-21", (2.0, 2.0), (2.5, 2.5), (0.05, 0.02)),
        _class("A", "EN 50470-3", (2.0, 2.0), (2.5, 2.5), (0.05, 0.02)),
        _class("B", "EN 50470-3", (1.0, 1.0), (1.5, 1.5), (0.05, 0.01)),
        _class("C", "EN 50470-3", (0.5, 0.6), (1.0, 1.0), (0.03, 0.01)),
    )
}


@dataclass(frozen=True, slots=True)
class Reference:
    """A value that the user read off another instrument.

    Attributes:
        quantity: Name of the quantity (`busprobe.model.reading`).
        value: In its SI unit.
    """

    quantity: str
    value: float


@dataclass(frozen=True, slots=True)
class Rating:
    """What is written on the meter about its accuracy.

    Attributes:
        accuracy_class: Key of `CLASSES`.
        current_a: Ib of a direct meter, In (primary) of one with CTs [A]; None when not stated.
        with_cts: Whether it is connected through CTs.
    """

    accuracy_class: str = "1"
    current_a: float | None = None
    with_cts: bool = False


def parse_references(text: str) -> tuple[Reference, ...]:
    """Read "V_L1=230.4 P=1020".

    Raises:
        InputError: Something in it is not a quantity and a value.
    """
    found = []
    for word in text.replace(",", " ").replace(";", " ").split():
        name, _, number = word.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = float("nan")
        if not _QUANTITY.fullmatch(name) or value != value or abs(value) == float("inf"):
            raise InputError(
                f"'{word}' is not a quantity and a value.",
                "Write V_L1=230.4 or P=1020; quantities are V, I, P, Q, S and PF with _L1 to _L3 "
                "or without, V_L1L2 and the like, and F.",
            )
        found.append(Reference(name, value))
    return tuple(found)


def reference_results(
    references: Sequence[Reference],
    polls: Sequence[Snapshot],
    steps: Mapping[str, float],
    rating: Rating,
) -> tuple[ReferenceResult, ...]:
    """Hold the meter against what another instrument showed.

    Args:
        references: What the other instrument showed.
        polls: What the meter showed meanwhile.
        steps: Size of a register step by quantity.
        rating: Class and rated current.
    """
    return tuple(_result(r, polls, steps, rating) for r in references)


def _mean(polls: Sequence[Snapshot], quantity: str) -> float | None:
    values = [p.quantities[quantity] for p in polls if quantity in p.quantities]
    return median(values) if values else None


def _result(
    reference: Reference, polls: Sequence[Snapshot], steps: Mapping[str, float], rating: Rating
) -> ReferenceResult:
    name, value = reference.quantity, reference.value
    letter = name.partition("_")[0]
    unit = _UNITS[letter]
    meter = _mean(polls, name)
    resolution = steps.get(name, 0.0) / 2
    in_percent = letter not in ("F", "PF") and value != 0
    limit_unit = "%" if in_percent else unit
    limit, rests_on, wider = _limit(name, value, polls, rating)
    if limit is not None and in_percent:
        limit += 100 * resolution / abs(value)
        wider += 100 * resolution / abs(value)
    elif limit is not None:
        limit, wider = limit + resolution, wider + resolution
    deviation = None
    if meter is not None:
        deviation = 100 * (meter - value) / abs(value) if in_percent else meter - value
    outcome = CheckOutcome.NOT_TESTED
    if deviation is not None and limit is not None:
        if abs(deviation) <= limit:
            outcome = CheckOutcome.PASS
        elif abs(deviation) > wider:
            outcome = CheckOutcome.FAIL
    return ReferenceResult(
        name, unit, value, meter, deviation, limit, limit_unit, rests_on, outcome
    )


def _limit(
    name: str, value: float, polls: Sequence[Snapshot], rating: Rating
) -> tuple[float | None, str, float]:
    """Limit, where it comes from, and the limit beyond which it is wrong without doubt."""
    letter = name.partition("_")[0]
    if letter == "F":
        return _FREQUENCY_HZ, "common practice, no source", _FREQUENCY_HZ
    if letter == "PF":
        return _POWER_FACTOR, "common practice, no source", _POWER_FACTOR
    if value == 0:
        return None, "a reference of 0 has no percentage", 0.0
    if letter in "VI":
        text = "no class of an energy meter; common practice, no source"
        return _VOLTAGE_CURRENT_PERCENT, text, _VOLTAGE_CURRENT_PERCENT
    if letter == "Q":
        return _REACTIVE_PERCENT, "IEC 62053-23 class 2, from memory", _REACTIVE_PERCENT
    return _class_limit(name, polls, rating)


def _class_limit(
    name: str, polls: Sequence[Snapshot], rating: Rating
) -> tuple[float | None, str, float]:
    known = CLASSES[rating.accuracy_class]
    source = f"class {known.name}, {known.source}"
    current, unity = _load(name, polls)
    column = 0 if unity else 1
    full, low = known.full[column], known.low[column]
    if rating.current_a is None or current is None:
        missing = "rated current not stated" if rating.current_a is None else "current not read"
        return full, f"{source}; {missing}: {full:g} % from 0.1 Ib (CT: 0.05 In) on", low
    share = current / rating.current_a
    lowest = known.low_ct if rating.with_cts else known.low_direct
    first = known.full_ct if rating.with_cts else known.full_direct
    first *= 1 if unity else 2
    of = "In" if rating.with_cts else "Ib"
    if lowest is None:
        return None, f"{source}; this class is for meters with CTs", 0.0
    if share < lowest:
        return None, f"{source}; promises nothing below {lowest:g} {of}, now {share:.2g} {of}", 0.0
    limit = full if share >= first else low
    return limit, f"{source}, at {share:.2g} {of}", limit


def _load(name: str, polls: Sequence[Snapshot]) -> tuple[float | None, bool]:
    """The current that flows [A], and whether the power factor is 1."""
    phase = name.partition("_")[2]
    wanted = [phase] if phase in PHASES else list(PHASES)
    currents = [c for p in wanted if (c := _mean(polls, f"I_{p}")) is not None]
    end = f"_{phase}" if phase in PHASES else ""
    power, apparent = _mean(polls, f"P{end}"), _mean(polls, f"S{end}")
    factor = _mean(polls, f"PF{end}")
    if power is not None and apparent:
        factor = power / apparent
    return (
        max(currents) if currents else None,
        factor is None or abs(factor) >= _UNITY,
    )


def reference_checks(address: int, results: Sequence[ReferenceResult]) -> tuple[Check, ...]:
    """The reference readings as checks."""
    return tuple(_check(address, r) for r in results)


def _check(address: int, result: ReferenceResult) -> Check:
    unit = f" {result.unit}" if result.unit else ""
    if result.meter is None:
        found = "not read"
    else:
        found = f"{result.meter:g}{unit}"
        if result.deviation is not None:
            found += f", off by {result.deviation:+.2f} {result.limit_unit}".rstrip()
    planned = f"{result.reference:g}{unit}"
    if result.limit is not None:
        planned += f" within {result.limit:.2f} {result.limit_unit}".rstrip()
    return Check(
        "reference",
        f"address {address}, {result.quantity}",
        f"{result.quantity} agrees with the reference instrument",
        planned,
        found,
        result.outcome,
        f"{result.rests_on}; half a register step is allowed for, the reference's own error is "
        "yours to add",
        finding_codes=("bench-outside-class",) if result.outcome is CheckOutcome.FAIL else (),
    )
