"""Content of a report about meters that were tested on the table."""

from __future__ import annotations

from typing import Literal

from pydantic import ConfigDict, Field

from busprobe.report.content_base import Finite, OutcomeWord, Part, SafeText
from busprobe.report.pictures.data import HistogramPicture


class BenchModel(Part):
    """One model of a register map beside its published definition."""

    id: int
    name: SafeText
    register_: int = Field(alias="register")
    """Its ID register."""
    length: int
    published: SafeText
    """Lengths that the definition allows; empty where it is not published."""
    length_right: bool | None
    mandatory: int
    there: int
    """How many of the mandatory points are there."""
    absent: tuple[SafeText, ...]
    """Optional points that are not implemented."""
    troubles: tuple[SafeText, ...]
    remarks: tuple[SafeText, ...]

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)


class BenchStatistics(Part):
    """How a meter answers at one line setting."""

    settings: SafeText
    current: bool
    """Whether it had it when the test began."""
    measured: Literal["measured", "not-measured", "failed"]
    why: SafeText
    requests: int
    answered: int
    median_ms: Finite | None
    p95_ms: Finite | None
    worst_ms: Finite | None
    gap_ms: Finite | None
    """Shortest silence between requests at which it answers."""


class BenchReference(Part):
    """A reading of a reference instrument beside that of the meter."""

    quantity: SafeText
    unit: SafeText
    reference: Finite
    meter: Finite | None
    deviation: Finite | None
    limit: Finite | None
    limit_unit: SafeText
    """Of deviation and limit: "%" or the unit."""
    rests_on: SafeText
    outcome: OutcomeWord


class BenchEntry(Part):
    """A meter that was tested on the table."""

    address: int
    device: SafeText
    serial: SafeText
    time: SafeText
    settings: SafeText
    """Line settings it was left at."""
    settings_note: SafeText
    accuracy_class: SafeText
    passed: bool
    complete: bool
    """Whether the test came to its end."""
    label: tuple[SafeText, ...]
    """Lines for the meter's label."""
    models: tuple[BenchModel, ...]
    statistics: tuple[BenchStatistics, ...]
    not_measured: SafeText = ""
    """Line settings that it offers and that were not measured, in few words."""
    references: tuple[BenchReference, ...]
    written: tuple[SafeText, ...]
    """What was written to it, in order."""
    histogram: HistogramPicture | None
