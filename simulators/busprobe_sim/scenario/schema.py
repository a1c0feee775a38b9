"""A scenario file: line, devices, site, what happens by itself, and the hidden truth."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from busprobe_sim.scenario.schema_base import Address, NotNegative, Part, Positive
from busprobe_sim.scenario.schema_device import DevicePart
from busprobe_sim.scenario.schema_line import LinePart

Phases = Literal["L1", "L2", "L3", "L1L2L3", "L1L2"]
Triple = tuple[float, float, float]


class SupplyPart(Part):
    """The grid connection."""

    nominal_v: Positive = 230.0
    """Voltage line to neutral [V]."""
    phase_ohm: tuple[float, float] = (0.16, 0.08)
    """Resistance and reactance of each phase conductor [ohm]."""
    neutral_ohm: tuple[float, float] = (0.11, 0.05)
    """Resistance and reactance of the neutral conductor [ohm]."""
    imbalance: Triple = (0.002, -0.003, 0.001)
    """Relative deviation of each phase voltage."""
    drift_v: NotNegative = 1.5
    """Slow wander of the voltage, peak [V]."""
    hz: Positive = 50.0
    """Frequency [Hz]."""
    rotation: Literal[1, -1] = 1
    """1 for L1-L2-L3, -1 for L1-L3-L2."""
    system: Literal["3p", "split", "1p"] = "3p"
    """Three phases, two legs 180 degrees apart, or one phase."""


class LoadPart(Part):
    """A named load."""

    name: Annotated[str, Field(min_length=1)]
    """Its name."""
    power_w: Positive
    """Active power, all phases together [W]."""
    phases: Phases = "L1L2L3"
    """Where it is connected."""
    feeder: str = "house"
    """The feeder it hangs on; a measuring point of that name follows."""
    power_factor: Annotated[float, Field(ge=-1, le=1)] = 1.0
    """Inductive when positive, capacitive when negative."""
    resistive: bool = False
    """Whether it follows the voltage squared."""
    on: bool = True
    """Whether it is on at the start."""
    cycle_s: tuple[Positive, Positive] | None = None
    """Seconds on and off of a load that switches itself."""


class SourcePart(Part):
    """A generator or a hybrid inverter."""

    name: Annotated[str, Field(min_length=1)]
    """Its name; a measuring point of that name follows."""
    kind: Literal["pv", "wind", "hydro", "chp", "none"] = "pv"
    """Where its power comes from."""
    rated_va: Positive = 5000.0
    """Rating, all phases together [VA]."""
    phases: Phases = "L1L2L3"
    """Where it is connected."""
    level: Annotated[float, Field(ge=0, le=1)] = 0.5
    """Share of the rating it gives on the average."""
    clouds: Annotated[float, Field(ge=0, le=1)] = 0.2
    """0 for a steady source, 1 for broken clouds or gusts."""
    battery: Literal["idle", "command", "zero-export"] = "idle"
    """What its battery does."""
    battery_w: float = 0.0
    """Commanded battery power, discharge positive [W]."""
    feeder: str = ""
    """The feeder it hangs on, whose measuring point counts it too; "" for the board."""
    before_meter: bool = False
    """On the grid's side of the feed-in meter, which does not see it."""
    planned_address: Address | None = None
    """Address of the meter that measures it by the papers, if that is not so."""


class SitePart(Part):
    """The electrical site."""

    supply: SupplyPart = SupplyPart()
    """The grid connection."""
    household: Literal["off", "quiet", "normal", "busy"] = "quiet"
    """How busy the unnamed consumers are."""
    base_w: Triple = (180.0, 240.0, 120.0)
    """Steady load of each phase [W]."""
    loads: tuple[LoadPart, ...] = ()
    """Named loads."""
    sources: tuple[SourcePart, ...] = ()
    """Generators and hybrid inverters."""
    socket: str = "house"
    """Feeder on which a test heater is plugged."""

    @property
    def points(self) -> set[str]:
        """Names of the measuring points."""
        names = {"grid", "house", *(load.feeder for load in self.loads)}
        return names | {source.name for source in self.sources}


class EventPart(Part):
    """Something that happens by itself."""

    at_s: NotNegative
    """When [s]."""
    load: str
    """Name of a load."""
    on: bool
    """Switched on or off."""


class FaultPart(Part):
    """One fault that is really there."""

    code: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
    """Code of the finding that tells it."""
    address: Address | None = None
    """Address it concerns."""
    text: str = ""
    """What is wrong, in words."""


class ScenarioPart(Part):
    """A whole scenario file."""

    title: Annotated[str, Field(min_length=1, max_length=80)]
    """One line."""
    story: Annotated[str, Field(min_length=1)]
    """What the technician is told."""
    seed: int = 1
    """Seed of all chance."""
    line: LinePart = LinePart()
    """The two-wire line."""
    devices: Annotated[tuple[DevicePart, ...], Field(max_length=32)]
    """Devices on it."""
    site: SitePart = SitePart()
    """What they measure."""
    schedule: tuple[EventPart, ...] = ()
    """What happens by itself."""
    truth: tuple[FaultPart, ...] = ()
    """The faults that are really there; wrong wiring follows from the devices."""

    @model_validator(mode="after")
    def _fits_together(self) -> ScenarioPart:
        points = self.site.points
        names = [device.name for device in self.devices]
        mistakes = [f"two devices are called '{n}'" for n in set(names) if names.count(n) > 1]
        for device in self.devices:
            if device.measures.point not in points:
                mistakes.append(
                    f"device '{device.name}' measures '{device.measures.point}', "
                    f"which is none of {', '.join(sorted(points))}"
                )
            if device.position_m > self.line.length_m:
                mistakes.append(f"device '{device.name}' sits behind the end of the line")
        mistakes += [
            f"source '{source.name}' hangs on '{source.feeder}', which is none of "
            f"{', '.join(sorted(points))}"
            for source in self.site.sources
            if source.feeder and source.feeder not in points - {"grid", source.name}
        ]
        loads = {load.name for load in self.site.loads}
        mistakes += [
            f"the schedule switches '{event.load}', which is no load"
            for event in self.schedule
            if event.load not in loads
        ]
        if mistakes:
            raise ValueError("; ".join(mistakes))
        return self
