"""Questions and answers of the AC-coupling checks."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.finding import Evidence, Finding


class Holds(StrEnum):
    """What came of a check."""

    YES = "yes"
    NO = "no"
    UNDECIDED = "undecided"
    """It applies, but what is known does not carry an answer."""
    NOT_APPLICABLE = "not-applicable"


class Role(StrEnum):
    """What a meter measures by plan."""

    GRID = "grid"
    GENERATION = "generation"
    CONSUMPTION = "consumption"
    STORAGE = "storage"
    """Power flows both ways."""


@dataclass(frozen=True, slots=True)
class Generator:
    """A generator on the AC side.

    Attributes:
        name: Its name in the plan.
        rated_w: Rated AC power [W].
        curtailable: Whether something can cut it back.
    """

    name: str
    rated_w: float
    curtailable: bool = False


@dataclass(frozen=True, slots=True)
class Coupling:
    """What the plan says of the AC side.

    Attributes:
        generators: Generators beside the hybrid inverter.
        inverter_w: Rated AC power of the hybrid inverter [W], None when unknown.
        charge_w: Charging power that is allowed [W], None when unknown.
        export_w: Most that may be fed into the grid [W], None for no limit.
        runs_island: The inverter carries the site without the grid, generators included.
    """

    generators: tuple[Generator, ...]
    inverter_w: float | None = None
    charge_w: float | None = None
    export_w: float | None = None
    runs_island: bool = False

    @property
    def generated_w(self) -> float:
        """All generators at their rating [W]."""
        return sum(g.rated_w for g in self.generators)


@dataclass(frozen=True, slots=True)
class Track:
    """What a meter showed over time.

    Attributes:
        name: Name of the meter, safe to show.
        address: Its address, None where it has none.
        role: What it measures by plan.
        t_s: When [s], increasing.
        p_w: Power [W], positive into the site (import) at a meter, as its registers show it turned
            by what is known of its sign.
        sign_known: Whether that is known; else `p_w` stands as the registers have it.
        imported_wh: Import counter at the end [Wh], None where there is none.
        exported_wh: Export counter at the end [Wh], None where there is none.
        hours: Local hour of each reading, 0 to 24; empty where the time of day is unknown.
        rated_w: Rating of what it measures [W], None when unknown.
    """

    name: str
    address: int | None
    role: Role
    t_s: tuple[float, ...]
    p_w: tuple[float, ...]
    sign_known: bool = False
    imported_wh: float | None = None
    exported_wh: float | None = None
    hours: tuple[float, ...] = ()
    rated_w: float | None = None


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer to one check.

    Attributes:
        holds: Whether the plan and what was seen agree.
        text: Why, in words with numbers.
        findings: What has to be told.
        evidence: What it rests on.
    """

    holds: Holds
    text: str
    findings: tuple[Finding, ...] = ()
    evidence: tuple[Evidence, ...] = ()


def watts(value: float) -> str:
    """A power in words: "850 W", "5.5 kW"."""
    return f"{value:.0f} W" if abs(value) < 1000 else f"{value / 1000:.4g} kW"
