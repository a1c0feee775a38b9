"""Is a meter on the table what it should be? Checks of one device from what it answered. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.finding import Evidence
from busprobe.model.reading import Reading, ReadingState, Snapshot
from busprobe.profiles.definitions import PointType, model_definition
from busprobe.profiles.sunspec import AnomalyKind, WalkAnomaly

# Share of the true value that a meter of a class may be off at its reference conditions [%]; IEC
# 62053-21 and -22, energy, from memory. Instantaneous registers are held to the same here.
CLASSES: Mapping[str, float] = {"0.2": 0.2, "0.5": 0.5, "1": 1.0, "2": 2.0}
# Voltage and current registers of a class 1 meter are no better than this [%]. Common practice, no
# source.
_VOLTAGE_CURRENT_LIMIT = 1.0
# How far counter and integrated power may differ [%] beyond the counter's own step: sampling once a
# second misses what happens in between. Common practice, no source.
_COUNTER_LIMIT = 2.0
_HARMLESS = {AnomalyKind.UNANSWERED, AnomalyKind.IRREGULAR_END, AnomalyKind.UNPUBLISHED_MODEL}


@dataclass(frozen=True, slots=True)
class Reference:
    """A value that the user read off another instrument.

    Attributes:
        quantity: Name of the quantity (`busprobe.model.reading`).
        value: In its SI unit.
    """

    quantity: str
    value: float


def identity_check(device: Device) -> Check:
    """Does it say who it is, down to the serial number?"""
    identity = device.identity
    missing = [
        word
        for word, text in (
            ("maker", identity.maker),
            ("model", identity.model),
            ("serial number", identity.serial),
        )
        if not text
    ]
    found = f"{identity} {identity.serial}".strip()
    return Check(
        "identity",
        f"address {device.address}",
        "It says who it is",
        "maker, model and serial number",
        found if not missing else f"{found}; missing: {', '.join(missing)}",
        CheckOutcome.PASS if not missing else CheckOutcome.FAIL,
    )


def map_check(device: Device, anomalies: Sequence[WalkAnomaly]) -> Check:
    """Does its SunSpec map keep to the published models?"""
    subject, title = f"address {device.address}", "Its map keeps to the published models"
    if device.sunspec is None:
        found = f"profile {device.profile}" if device.profile else "no SunSpec map"
        return Check("map", subject, title, "", found, CheckOutcome.NOT_APPLICABLE)
    serious = [a for a in anomalies if a.kind not in _HARMLESS]
    models = ", ".join(f"{b.model_id} (length {b.length})" for b in device.sunspec.models)
    return Check(
        "map",
        subject,
        title,
        "model lengths and end as published",
        f"base {device.sunspec.base}, models {models}",
        CheckOutcome.FAIL if serious else CheckOutcome.PASS,
        evidence=tuple(Evidence(None, f"register {a.register}: {a.text}") for a in anomalies),
        finding_codes=("map-irregular",) if serious else (),
    )


def points_check(device: Device, model_id: int, readings: Sequence[Reading]) -> Check:
    """Does a model hold its mandatory points, and scale factors in their range?"""
    definition = model_definition(model_id)
    subject, title = f"address {device.address}", f"Model {model_id} holds its mandatory points"
    if definition is None:
        return Check("points", subject, title, "", "not published", CheckOutcome.NOT_APPLICABLE)
    by_name = {r.name: r for r in readings}
    mandatory = [p for p in definition.group.points if p.mandatory]
    absent = [
        p.name
        for p in mandatory
        if p.type is not PointType.PAD
        and by_name.get(p.name, _ABSENT).state is ReadingState.NOT_IMPLEMENTED
    ]
    # SunSpec Device Information Model Specification, section 4.2.4: -10 to 10.
    wild = [
        r.name
        for r in readings
        if r.name.endswith("_SF") and isinstance(r.value, int) and not -10 <= r.value <= 10
    ]
    problems = [f"not implemented: {', '.join(absent)}"] if absent else []
    problems += [f"scale factor out of range: {', '.join(wild)}"] if wild else []
    return Check(
        "points",
        subject,
        title,
        f"{len(mandatory)} mandatory points",
        "; ".join(problems) or "all there",
        CheckOutcome.FAIL if problems else CheckOutcome.PASS,
    )


_ABSENT = Reading("", None, "", (), ReadingState.NOT_IMPLEMENTED)


def answers_check(
    address: int, asked: int, answered: int, median_ms: float, p95_ms: float
) -> Check:
    """Does it answer every time?"""
    lost = asked - answered
    # Rule of three: with no loss in n, the rate is below 3/n with 95 % confidence.
    bound = 300 / asked if asked and not lost else None
    return Check(
        "answers",
        f"address {address}",
        "It answers every request",
        f"{asked} requests",
        f"{answered} answered, turn-around {median_ms:.1f} ms, 95 % within {p95_ms:.1f} ms",
        CheckOutcome.PASS if not lost else CheckOutcome.FAIL,
        "" if bound is None else f"loss rate below {bound:.1f} % with 95 % confidence",
    )


# In place of an exception code: a normal answer.
ANSWERED = 0


def _refusal_words(code: int | None) -> str:
    if code is None:
        return "silent"
    return f"exception {code:02X}" if code else "an answer"


def exceptions_check(
    address: int, cases: Sequence[tuple[str, int | None, tuple[int, ...]]]
) -> Check:
    """Does it refuse illegal requests as the standard says?

    Args:
        address: Its address.
        cases: Words of the request, the exception code that came (None: silence, 0: an answer), and
            those that the standard allows.
    """
    wrong = [
        f"{words}: {_refusal_words(code)}" for words, code, allowed in cases if code not in allowed
    ]
    return Check(
        "exceptions",
        f"address {address}",
        "It refuses illegal requests with the right exception",
        "; ".join(f"{w}: {' or '.join(map(_refusal_words, ok))}" for w, _, ok in cases),
        "; ".join(wrong) or "as the standard says",
        CheckOutcome.FAIL if wrong else CheckOutcome.PASS,
    )


def counter_check(address: int, polls: Sequence[Snapshot], steps: Mapping[str, float]) -> Check:
    """Does its energy counter agree with the integral of its own power?"""
    subject, title = f"address {address}", "Its counter agrees with its power"

    def undecided(why: str) -> Check:
        return Check("counter", subject, title, "", why, CheckOutcome.NOT_TESTED)

    if len(polls) < 3 or any("P" not in p.quantities for p in polls):
        return undecided("no power was read over a while")
    powers = [p.quantities["P"] for p in polls]
    if min(powers) * max(powers) <= 0 or max(map(abs, powers)) < 1.0:
        return undecided("no current flows, or the power turned: connect a load and try again")
    wh = sum(
        (a.quantities["P"] + b.quantities["P"]) / 2 * (b.t_ns - a.t_ns) / 3.6e12
        for a, b in pairwise(polls)
    )
    moved = {
        name: polls[-1].quantities[name] - polls[0].quantities[name]
        for name in ("E_import", "E_export")
        if all(name in p.quantities for p in (polls[0], polls[-1]))
    }
    if not moved:
        return undecided("it has no counter")
    name, counted = max(moved.items(), key=lambda pair: pair[1])
    step = steps.get(name, 1.0)
    needed_s = abs(2 * step / (_COUNTER_LIMIT / 100) / max(map(abs, powers)) * 3600)
    tolerance = step + abs(wh) * _COUNTER_LIMIT / 100
    if abs(wh) < 2 * step:
        return undecided(
            f"its counter steps by {step:g} Wh: at this power it takes {needed_s / 60:.0f} min "
            f"to tell"
        )
    fits = abs(counted - abs(wh)) <= tolerance
    return Check(
        "counter",
        subject,
        title,
        f"{abs(wh):.3f} Wh by its power",
        f"{counted:g} Wh on {name}",
        CheckOutcome.PASS if fits else CheckOutcome.FAIL,
        f"within {tolerance:.3g} Wh (one step and {_COUNTER_LIMIT:g} %)",
    )


def reference_checks(
    address: int,
    references: Sequence[Reference],
    quantities: Mapping[str, float],
    steps: Mapping[str, float],
    accuracy_class: str,
) -> tuple[Check, ...]:
    """Compare with what the user read off another instrument, within the limits of a class."""
    checks = []
    for reference in references:
        percent = (
            _VOLTAGE_CURRENT_LIMIT if reference.quantity[0] in "VI" else CLASSES[accuracy_class]
        )
        limit = abs(reference.value) * percent / 100 + steps.get(reference.quantity, 0.0) / 2
        found = quantities.get(reference.quantity)
        off = math.inf if found is None else abs(found - reference.value)
        checks.append(
            Check(
                "reference",
                f"address {address}",
                f"{reference.quantity} agrees with the reference instrument",
                f"{reference.value:g} within {limit:.3g}",
                "not read" if found is None else f"{found:g}",
                CheckOutcome.NOT_TESTED
                if found is None
                else CheckOutcome.PASS
                if off <= limit
                else CheckOutcome.FAIL,
                f"class {accuracy_class} and half a register step; the reference's own error is "
                f"yours "
                "to add",
            )
        )
    return tuple(checks)


def label_text(device: Device, settings: str, day: str, passed: bool) -> str:
    """What to write on the meter's label."""
    identity = device.identity
    return "\n".join(
        (
            f"{identity}",
            f"S/N {identity.serial or 'unknown'}",
            f"Modbus address {device.address}, {settings}",
            f"bench test {day}: {'passed' if passed else 'NOT passed'}",
        )
    )
