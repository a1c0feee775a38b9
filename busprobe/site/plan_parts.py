"""What a site plan may say.

One YAML file, made in the office, carried to the site: the lines, the meters with their roles, the
hybrid inverter, battery and generators, limits and fuses. Everything but names, links and addresses
may be left out; what is left out is not checked.

Powers are kW and kWh here, as on name plates; `*_w` properties give watts.
"""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from busprobe.model.errors import InputError
from busprobe.model.line import Endpoint, LineSettings, Parity, parse_link
from busprobe.model.reading import PHASES

T = TypeVar("T")


def line_settings(text: str) -> LineSettings:
    """Parse settings as they are spoken: "9600 8N1".

    Raises:
        ValueError: Not of that form.
    """
    match = re.fullmatch(r"(\d{2,7}) 8([NEO])([12])", text)
    if match is None:
        raise ValueError('must be a rate and a format such as "9600 8N1"')
    try:
        return LineSettings(int(match[1]), Parity(match[2]), int(match[3]))
    except InputError as error:
        raise ValueError(error.cause) from None


def _checked_settings(text: str) -> str:
    line_settings(text)
    return text


def _checked_link(text: str) -> str:
    try:
        parse_link(text)
    except InputError as error:
        raise ValueError(error.cause) from None
    return text


def _some(items: tuple[T, ...]) -> tuple[T, ...]:
    if not items:
        raise ValueError("must not be empty")
    return items


Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^\S(.*\S)?$")]
Text = Annotated[str, Field(max_length=2000)]
Settings = Annotated[str, AfterValidator(_checked_settings)]
LinkText = Annotated[str, AfterValidator(_checked_link)]
# Modbus over Serial Line V1.02, section 2.2; 255 only behind Modbus TCP (Messaging on TCP/IP
# Implementation Guide V1.0b, section 4.4.1.2).
Address = Annotated[int, Field(ge=1, le=255)]
Ampere = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]
Kilowatt = Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)]
Rating = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]
Phase = Literal["L1", "L2", "L3"]
# pydantic counts only the members that are right: told by ourselves, a wrong one is one mistake.
Phases = Annotated[
    tuple[Phase, ...], AfterValidator(_some), Field(json_schema_extra={"minItems": 1})
]
System = Literal["3p4w", "3p3w", "split", "1p"]
Source = Literal["pv", "wind", "hydro", "chp"]
Feeds = Literal["pv", "wind", "hydro", "chp", "battery", "load"]
Role = Literal["grid", "generation", "consumption", "sub-meter"]

_PHASES_OF: dict[str, int] = {"3p4w": 3, "3p3w": 3, "split": 2, "1p": 1}


class Part(BaseModel):
    """Part of a plan: nothing unknown, nothing changes."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class SitePart(Part):
    """The site and the job, in free text."""

    name: Name
    """Name of the site."""
    customer: Text = ""
    """Whose site it is."""
    address: Text = ""
    """Where it is."""
    order: Text = ""
    """Number of the order."""
    grid_operator: Text = ""
    """Grid operator and identifier of the metering point."""
    notes: Text = ""
    """What else should be known."""
    nominal_v: Annotated[float, Field(ge=90, le=500)] = 230.0
    """Nominal voltage line to neutral [V]."""


class LinkPart(Part):
    """One line, or one Modbus TCP host."""

    name: Name
    """Name of the line, for the meters to refer to."""
    link: LinkText
    """How it is reached, as every command takes it: a serial port, tcp://HOST, sim:SCENARIO."""
    settings: Settings | None = None
    """Line settings, such as "9600 8N1"; leave them out for Modbus TCP."""
    length_m: Annotated[float, Field(gt=0, le=5000)] | None = None
    """Length of the cable [m]."""
    termination: Literal["both ends", "one end", "none"] | None = None
    """Where terminators are planned."""
    bias: Literal["one place", "several places", "none"] | None = None
    """Where bias resistors are planned."""
    poll_s: Annotated[float, Field(gt=0, le=3600)] | None = None
    """How often the energy manager polls every device [s]."""
    timeout_ms: Annotated[float, Field(gt=0, le=60_000)] = 300.0
    """How long the energy manager waits for a silent device [ms]."""

    @property
    def endpoint(self) -> Endpoint:
        """The parsed link."""
        return parse_link(self.link)

    @property
    def line_settings(self) -> LineSettings | None:
        """The parsed settings."""
        return None if self.settings is None else line_settings(self.settings)


class DevicePart(Part):
    """Something that answers on a line."""

    name: Name
    """Its name in this plan."""
    link: Name
    """Name of its line."""
    address: Address
    """Its address."""
    maker: Text = ""
    """Maker, as the device says it."""
    model: Text = ""
    """Model, as the device says it."""
    profile: Text = ""
    """Name of its device profile, where it has no SunSpec map."""
    serial: Text = ""
    """Serial number on its name plate."""
    registers: Annotated[int, Field(ge=1, le=1000)] = 105
    """Registers that the energy manager reads in a poll (105: SunSpec meter model 203)."""
    turnaround_ms: Annotated[float, Field(ge=0, le=10_000)] = 50.0
    """How long it takes to answer [ms] (50: common practice, no source)."""
    note: Text = ""
    """What else should be known."""


class CtPart(Part):
    """The current transformers of a meter."""

    primary_a: Ampere
    """Rated primary current [A]."""
    secondary_a: Ampere | None = None
    """Rated secondary current [A]; leave it out for CTs with a voltage output."""
    set_ratio: Annotated[float, Field(gt=0, le=100_000)] | None = None
    """Ratio set in the meter."""


class MeterPart(DevicePart):
    """A meter."""

    role: Role | None = None
    """grid (feed-in point), generation, consumption, or sub-meter; leave it out until known."""
    behind: Name | None = None
    """Name of the meter upstream that counts its power too."""
    feeds: Feeds | None = None
    """What is connected to it: pv, wind, hydro, chp, battery or load."""
    system: System = "3p4w"
    """How it is connected."""
    phases: Phases | None = None
    """Phases that it measures; all of its system if left out."""
    ct: CtPart | None = None
    """Its current transformers."""
    direct_a: Ampere | None = None
    """Highest current of a meter that is connected directly [A]."""
    fuse_a: Ampere | None = None
    """Fuse in front of what it measures [A]."""
    positive: Literal["import", "export"] | None = None
    """What a positive power means in its registers, where its manual says so."""

    @property
    def shown_phases(self) -> tuple[str, ...]:
        """The phases that it measures."""
        return self.phases or PHASES[: _PHASES_OF[self.system]]

    @model_validator(mode="after")
    def _is_one_kind(self) -> Self:
        if self.ct is not None and self.direct_a is not None:
            raise ValueError("a meter has CTs ('ct') or is connected directly ('direct_a')")
        if self.phases is not None and len(set(self.phases)) < len(self.phases):
            raise ValueError("'phases' names a phase twice")
        if self.phases is not None and len(self.phases) > _PHASES_OF[self.system]:
            raise ValueError(f"a {self.system} meter has no more than {_PHASES_OF[self.system]}")
        return self


class InverterPart(DevicePart):
    """The hybrid inverter."""

    rating_kw: Rating | None = None
    """Rated AC power [kW]."""
    phases: Phases = ("L1", "L2", "L3")
    """Phases that it feeds."""
    fuse_a: Ampere | None = None
    """Its fuse [A]."""
    runs_island: bool = False
    """Whether it carries the site without the grid, generators included."""


class BatteryPart(Part):
    """The battery of the hybrid inverter."""

    capacity_kwh: Rating | None = None
    """Usable energy [kWh]."""
    charge_kw: Rating | None = None
    """Highest charging power [kW]."""
    discharge_kw: Rating | None = None
    """Highest discharging power [kW]."""


class GeneratorPart(Part):
    """A generator on the AC side."""

    name: Name
    """Its name in this plan."""
    kind: Source
    """pv, wind, hydro or chp."""
    rating_kw: Rating
    """Rated AC power [kW]."""
    phases: Phases = ("L1", "L2", "L3")
    """Phases that it feeds."""
    meter: Name | None = None
    """Name of its meter."""
    fuse_a: Ampere | None = None
    """Its fuse [A]."""
    curtailable: bool = False
    """Whether the energy manager, or the inverter by raising the frequency, can cut it back."""

    @property
    def rating_w(self) -> float:
        """Rated AC power [W]."""
        return 1000.0 * self.rating_kw


class LimitsPart(Part):
    """Limits that are to be kept."""

    export_kw: Kilowatt | None = None
    """Most that may be fed into the grid [kW]."""
    import_kw: Kilowatt | None = None
    """Most that may be drawn from the grid [kW]."""
    charge_kw: Kilowatt | None = None
    """Charging power entered in the inverter [kW]."""


class PlannedSite(Part):
    """All that a site plan says; whether it holds together is `busprobe.site.plan_rules`."""

    format: Literal[1]
    """Version of this file format."""
    site: SitePart
    """The site and the job."""
    links: Annotated[
        tuple[LinkPart, ...],
        AfterValidator(_some),
        Field(max_length=64, json_schema_extra={"minItems": 1}),
    ]
    """Lines and hosts."""
    meters: Annotated[tuple[MeterPart, ...], Field(max_length=256)] = ()
    """Meters."""
    inverter: InverterPart | None = None
    """The hybrid inverter, where it answers on one of the lines."""
    others: Annotated[tuple[DevicePart, ...], Field(max_length=256)] = ()
    """Other devices that answer on these lines."""
    battery: BatteryPart | None = None
    """The battery."""
    generators: Annotated[tuple[GeneratorPart, ...], Field(max_length=64)] = ()
    """Generators on the AC side."""
    limits: LimitsPart = LimitsPart()
    """Limits that are to be kept."""

    @property
    def devices(self) -> tuple[DevicePart, ...]:
        """Everything that answers: meters, inverter, others."""
        inverter = () if self.inverter is None else (self.inverter,)
        return (*self.meters, *inverter, *self.others)

    def devices_on(self, link: str) -> tuple[DevicePart, ...]:
        """What answers on one line, by the name of the line."""
        return tuple(d for d in self.devices if d.link == link)

    def meter(self, name: str | None) -> MeterPart | None:
        """The meter of this name."""
        return next((m for m in self.meters if m.name == name), None)

    @property
    def grid_meter(self) -> MeterPart | None:
        """The meter at the feed-in point."""
        return next((m for m in self.meters if m.role == "grid"), None)
