"""The machine-readable result of `train`."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from busprobe.cli.documents_base import Part, SettingsPart


class ExercisePart(Part):
    """An exercise that is shipped."""

    name: str
    title: str
    level: int = Field(ge=1, le=5)
    story: str
    cases: int
    """How many things may lie behind the story."""
    best: float | None
    """Best score of a first answer so far."""


class PlannedPart(Part):
    """A device that should be there, by the papers."""

    name: str
    address: int
    meter: bool
    link: str
    """The LINK argument with the test heater plugged where this meter sees it."""
    role: str
    """What the papers say that it measures, "" where they say nothing."""
    note: str


class AssignmentPart(Part):
    """What a trainee is given."""

    exercise: str
    seed: int
    link: str
    title: str
    level: int
    story: str
    settings: SettingsPart
    """Line settings by the papers."""
    plan: list[PlannedPart]
    hint_prices: list[float]
    """Points that each hint costs, in order."""
    hints: list[str]
    """Those that were taken."""


class ClaimPart(Part):
    """A cause as it was stated."""

    code: str
    address: int | None
    inputs: list[str]
    others: list[ClaimPart]
    """What it may be as well: the answer left open which of them it is."""


class ShownPart(Part):
    """How the evidence shows a cause."""

    command: str
    """The command that shows it."""
    summary: str
    cause: str
    evidence: list[str]
    in_recording: str | None
    """The trainee's own recording that holds the finding, if one does."""


class TrueCausePart(Part):
    """A cause that is really there, and what was made of it."""

    code: str
    address: int | None
    inputs: list[str]
    text: str
    verdict: Literal["found", "partly", "missed"]
    share: float = Field(ge=0.0, le=1.0)
    claim: ClaimPart | None
    comment: str
    shown: ShownPart | None
    """For what was not found in full."""


class DisturbancePart(Part):
    """Something on the bus that was not needed."""

    kind: str
    count: int
    points: float
    text: str


class GradePart(Part):
    """A graded answer."""

    score: float = Field(ge=0.0, le=100.0)
    word: Literal["excellent", "good", "passed", "again"]
    complete: bool
    """Every cause found, nothing wrong stated."""
    counts: bool
    """Whether it is the first answer to this exercise and seed."""
    causes: list[TrueCausePart]
    wrong: list[ClaimPart]
    against: list[ShownPart | None]
    """What the same bus says of the place of each wrong one."""
    conduct: list[DisturbancePart]
    judged_conduct: bool
    """False where no recording was given to judge by."""
    guessed: bool
    """Whether it is known that the bus was not used at all: then nothing counts."""
    bus_time_s: float
    par_s: float
    cause_points: float
    wrong_points: float
    conduct_points: float
    time_points: float
    hint_points: float


class TrainResult(Part):
    """Result of `train`; what was not asked for is null or empty."""

    exercises: list[ExercisePart]
    assignment: AssignmentPart | None
    grade: GradePart | None
