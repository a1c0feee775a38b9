"""Document of the bench test."""

from __future__ import annotations

from typing import Literal

from busprobe.cli.documents_base import Part
from busprobe.cli.documents_handover import CheckPart, ReportFilePart


class BenchModelPart(Part):
    """One model of a register map beside its published definition."""

    id: int
    name: str
    address: int
    """Its ID register."""
    length: int
    """As the device states it."""
    published_length: str
    """What the definition allows, or empty where it is not published."""
    length_right: bool | None
    mandatory: int
    """How many points are mandatory."""
    missing: list[str]
    """Mandatory points marked as not implemented."""
    unreadable: list[str]
    """Mandatory points that the device refuses."""
    beyond: list[str]
    """Mandatory points behind the stated length."""
    absent: list[str]
    """Optional points that are not implemented."""
    uncounted: list[str]
    """Mandatory counters that hold 0: nothing counted yet, or not implemented."""
    wrong_scales: list[str]
    wrong_marks: list[str]
    """Points that hold the mark for "not implemented" of another type."""


class BenchTurnAroundPart(Part):
    """Turn-around times [ms]."""

    median: float | None
    p95: float | None
    worst: float | None


class BenchSettingsPart(Part):
    """How the device answers at one line setting."""

    settings: str
    current: bool
    """Whether the device had it when the test began."""
    measured: Literal["measured", "not-measured", "failed"]
    why: str
    requests: int
    answered: int
    turnaround_ms: BenchTurnAroundPart
    gap_ms: float | None
    """Shortest silence before a request at which it answers."""


class BenchReferencePart(Part):
    """A reading of a reference instrument beside that of the meter."""

    quantity: str
    unit: str
    reference: float
    meter: float | None
    deviation: float | None
    limit: float | None
    limit_unit: str
    """Of deviation and limit: "%" or the unit."""
    rests_on: str
    outcome: Literal["PASS", "FAIL", "NOT TESTED", "NOT APPLICABLE"]


class BenchResult(Part):
    """Result of `bench`."""

    address: int
    passed: bool
    """Whether no check failed; some may not have been tested."""
    complete: bool
    """Whether it came to its end."""
    checks: list[CheckPart]
    models: list[BenchModelPart]
    settings: list[BenchSettingsPart]
    settings_note: str
    """Which settings were not measured and why, or how the device was brought back."""
    written: list[str]
    """What was written to the meter, in order; empty where nothing was."""
    references: list[BenchReferencePart]
    label: str
    """What to write on the meter's label."""
    files: list[ReportFilePart]
    """Files of the report, where one was asked for."""
