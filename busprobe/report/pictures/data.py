"""What the pictures of a report show, in numbers and words; the drawing is done elsewhere."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from busprobe.model.device_text import visible

Label = Annotated[str, AfterValidator(visible)]
Finite = Annotated[float, Field(allow_inf_nan=False)]


class Picture(BaseModel):
    """Base of the pictures: immutable, nothing unexpected."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


class Phasor(Picture):
    """An effective value with its angle."""

    name: Label
    """L1, L2 or L3."""
    magnitude: Finite
    angle_deg: Finite
    """Against the voltage of L1, counter-clockwise [deg]."""
    changed: bool = False
    """Whether wiring the meter right moves it."""


class PhasorPicture(Picture):
    """Voltages and currents as the meter sees them now, and as it will see them wired right."""

    voltages: tuple[Phasor, ...]
    currents: tuple[Phasor, ...]
    right_voltages: tuple[Phasor, ...]
    right_currents: tuple[Phasor, ...]
    """Empty where the verdict does not say how it should be."""
    caption: Label


class TrendMark(Picture):
    """A switching in the trend."""

    t_s: Finite
    label: Label


class TrendLine(Picture):
    """One quantity over time; None where a value is missing."""

    name: Label
    values: tuple[Finite | None, ...]


class TrendPicture(Picture):
    """Active power over time, with the switchings that were found."""

    t_s: tuple[Finite, ...]
    lines: tuple[TrendLine, ...]
    marks: tuple[TrendMark, ...]
    unit: Label


class BusUnit(Picture):
    """A device on a drop of the line."""

    title: Label
    subtitle: Label


class BusDrop(Picture):
    """An address on the line and who answers there."""

    address: int
    units: tuple[BusUnit, ...]
    """Two where more than one device answers."""
    state: Literal["single", "duplicate", "undecided"]


class BusPicture(Picture):
    """The line with its devices, in order of address."""

    link: Label
    drops: tuple[BusDrop, ...]


class Speech(Picture):
    """Who spoke when, in one exchange."""

    kind: Literal["request", "answer", "noise"]
    """noise: bytes that belong to no frame."""
    start_ms: Finite
    end_ms: Finite
    characters: int
    hex: Label
    """The first bytes."""
    label: Label


class CollisionPicture(Picture):
    """One recorded exchange at an address where more than one device answers."""

    address: int
    exchange: int
    speeches: tuple[Speech, ...]
    errors_ms: tuple[Finite, ...]
    """When characters came that the receiver marked as damaged."""
    marks_known: bool
    """Whether the adapter tells damaged characters at all."""
    uncertainty_ms: Finite
    """How much earlier anything received may have been on the wire."""


class HistogramRow(Picture):
    """Turn-around times of one device."""

    title: Label
    counts: tuple[int, ...]
    total: int


class HistogramPicture(Picture):
    """Turn-around times of all devices over one scale."""

    first_ms: Finite
    """Lower edge of the first bin."""
    bin_ms: Finite
    rows: tuple[HistogramRow, ...]


class EnergyNode(Picture):
    """A meter, or what is left between them."""

    name: Label
    role: Literal["grid", "generation", "storage", "consumption", "house"]
    power_w: Finite | None
    """Import positive (towards the site's busbar from the grid; into a consumer or generator)."""
    note: Label


class EnergyPicture(Picture):
    """Power flows of the site at one instant."""

    nodes: tuple[EnergyNode, ...]
