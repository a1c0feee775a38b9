"""What a bench test brings: one sheet for one meter."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.check import Check, CheckOutcome


@dataclass(frozen=True, slots=True)
class ModelSheet:
    """One model of a register map beside its published definition.

    Attributes:
        model_id: Number of the model.
        name: Its published label, "" where it is not published.
        register: Address of its ID register.
        length: L as the device states it.
        published: L that the definition allows, in words; "" where it is not published.
        length_right: Whether the one is among the other; None where it is not published.
        mandatory: How many mandatory points the definition has, header included.
        missing: Mandatory points that hold the mark for "not implemented".
        unreadable: Mandatory points whose registers the device refuses or does not answer for.
        beyond: Mandatory points that lie behind the stated length.
        absent: Optional points that are not implemented.
        uncounted: Mandatory counters that hold 0, which may mean either.
        wrong_scales: What is wrong with scale factors, one sentence each.
        wrong_marks: Points that hold the mark for "not implemented" of another type.
        remarks: What is unusual but harmless.
    """

    model_id: int
    name: str
    register: int
    length: int
    published: str
    length_right: bool | None
    mandatory: int
    missing: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    beyond: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    uncounted: tuple[str, ...] = ()
    wrong_scales: tuple[str, ...] = ()
    wrong_marks: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()


class Measured(StrEnum):
    """What came of one line setting."""

    YES = "measured"
    NO = "not-measured"
    """It is offered, but was not tried: the reason says why."""
    FAILED = "failed"
    """It was tried, and the device did not come to it."""


@dataclass(frozen=True, slots=True)
class SettingsStatistics:
    """How a device answers at one line setting.

    Attributes:
        settings: The setting, as "9600 8N1", or "Modbus TCP".
        current: Whether the device had it when the test began.
        measured: What came of it.
        why: Why it was not measured, or "".
        requests: Requests made.
        answered: Requests that were answered.
        median_ms: Median turn-around [ms].
        p95_ms: 95 of 100 turn-arounds are within this [ms].
        worst_ms: The longest [ms].
        gap_ms: Shortest silence between requests at which it answers [ms]; None when not measured.
        exchanges: Numbers of the first and the last exchange.
    """

    settings: str
    current: bool
    measured: Measured
    why: str = ""
    requests: int = 0
    answered: int = 0
    median_ms: float | None = None
    p95_ms: float | None = None
    worst_ms: float | None = None
    gap_ms: float | None = None
    exchanges: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class ReferenceResult:
    """A reading of a reference instrument beside that of the meter.

    Attributes:
        quantity: Name of the quantity (`busprobe.model.reading`).
        unit: Its unit, "" for a plain number.
        reference: What the instrument showed.
        meter: Median of what the meter showed meanwhile, None where it was not read.
        deviation: Of the meter from the reference, in `limit_unit`; None where not read.
        limit: How far it may be off, in `limit_unit`; None where no limit applies.
        limit_unit: "%", or the unit of the quantity.
        rests_on: Where the limit comes from.
        outcome: What came of it.
    """

    quantity: str
    unit: str
    reference: float
    meter: float | None
    deviation: float | None
    limit: float | None
    limit_unit: str
    rests_on: str
    outcome: CheckOutcome


@dataclass(frozen=True, slots=True)
class BenchSheet:
    """A whole bench test.

    Attributes:
        address: Address of the meter.
        device: Text that names it, safe to show.
        serial: Its serial number, or "".
        settings: Line settings it is left at, in words.
        settings_note: Which settings were not measured and why, or how the device was brought back.
        accuracy_class: Class that reference readings were held against.
        models: Its register map beside the published models.
        statistics: How it answers at each line setting it offers.
        references: Reference instrument beside the meter.
        checks: All checks.
        passed: Whether no check failed; some may not have been tested.
        complete: Whether it came to its end.
        label: What to write on the meter's label.
        written: What was written to the meter, in order; empty where nothing was.
    """

    address: int
    device: str
    serial: str
    settings: str
    settings_note: str
    accuracy_class: str
    models: tuple[ModelSheet, ...]
    statistics: tuple[SettingsStatistics, ...]
    references: tuple[ReferenceResult, ...]
    checks: tuple[Check, ...]
    passed: bool
    complete: bool
    label: str
    written: tuple[str, ...] = ()
