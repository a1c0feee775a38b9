"""A scenario brought to life: line, devices, site, and the hands that plug a test heater."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe_sim.line.line import Line
from busprobe_sim.line.port import Port
from busprobe_sim.line.station import Station
from busprobe_sim.ports.virtual import VirtualLink
from busprobe_sim.scenario.build_device import Apply, build_server
from busprobe_sim.scenario.build_line import (
    device_settings,
    line_parameters,
    master_parameters,
    port_parameters,
    station_parameters,
)
from busprobe_sim.scenario.build_site import build_site, meter_wiring
from busprobe_sim.scenario.library import read_scenario, scenario_names
from busprobe_sim.scenario.schema import FaultPart, ScenarioPart
from busprobe_sim.scenario.schema_base import line_settings
from busprobe_sim.site import MeterWiring, Site

if TYPE_CHECKING:
    from busprobe.link.base import Link

Pace = Literal["virtual", "real"]


@dataclass(frozen=True, slots=True)
class DeviceTruth:
    """What really is at an address.

    Attributes:
        name: Its name in the scenario.
        address: Its address at the start.
        maker: Manufacturer, as it says itself.
        model: Model, as it says itself.
        serial: Serial number, as it says itself.
        settings: Line settings it talks at the start.
        position_m: Where it sits [m].
        point: What it measures.
        positive: "import" or "export": what it shows positive.
        wiring: How it is connected.
    """

    name: str
    address: int
    maker: str
    model: str
    serial: str
    settings: LineSettings
    position_m: float
    point: str
    positive: str
    wiring: MeterWiring


@dataclass(frozen=True, slots=True)
class Truth:
    """The hidden truth of a scenario: for trainers and tests, never for a diagnosis.

    Attributes:
        faults: The faults that are really there.
        devices: The devices as they really are.
    """

    faults: tuple[FaultPart, ...]
    devices: tuple[DeviceTruth, ...]


class Hands:
    """The technician's hands: they plug and unplug the test heater, and hold sources back.

    Args:
        site: The site.
        points: What is measured at each address.
    """

    def __init__(self, site: Site, points: Mapping[int, str] | None = None) -> None:
        self._site = site
        self._points = dict(points or {})

    def curtail(self, address: int, share: float, at_ns: int) -> bool:
        """Limit the source that the meter at an address measures.

        Args:
            address: Address of its meter.
            share: Share of its rating that it may give.
            at_ns: When, on the clock of the line [ns].

        Returns:
            Whether a source is measured there.
        """
        point = self._points.get(address, "")
        if point not in {source.name for source in self._site.parameters.sources}:
            return False
        self._site.curtail(point, share, at_ns)
        return True

    def plug(
        self, phase: str, power_w: float, on: bool, at_ns: int, feeder: str | None = None
    ) -> None:
        """Switch the test heater; see `Site.plug`.

        Args:
            phase: "L1", "L2", "L3" or "L1L2L3".
            power_w: Its name plate [W].
            on: On or off.
            at_ns: When, on the clock of the line [ns].
            feeder: Another feeder than the scenario's socket.
        """
        self._site.plug(phase, power_w, on, at_ns, feeder)


@dataclass(frozen=True, slots=True)
class SimulatedBus:
    """A running bus.

    Attributes:
        line: The line.
        site: The electrical site.
        settings: Settings that most devices talk.
        truth: What is really there.
        hands: Plug a test heater.
        stations: The devices on the line, in the order of the scenario.
        name: Name of the scenario.
    """

    line: Line
    site: Site
    settings: LineSettings
    truth: Truth
    hands: Hands
    stations: tuple[Station, ...]
    name: str
    _part: ScenarioPart

    def open_port(self, settings: LineSettings | None = None) -> Port:
        """Clamp a further adapter, like the probe's, to the line.

        Args:
            settings: Its settings; those of the scenario's line if left out.
        """
        return self.line.open_port(port_parameters(self._part.line, settings))

    def open_link(
        self,
        pace: Pace = "virtual",
        settings: LineSettings | None = None,
        endpoint: Endpoint | None = None,
    ) -> Link:
        """Clamp the probe's adapter to the line.

        Args:
            pace: Virtual time (never waits) or real time.
            settings: Settings of the adapter; those of the scenario's line if left out.
            endpoint: What to call the link.
        """
        port = self.open_port(settings)
        called = endpoint or Endpoint(f"sim:{self.name}", LinkKind.SIMULATED, self.name)
        if pace == "virtual":
            return VirtualLink(port, called)
        from busprobe_sim.ports.paced import PacedLink

        return PacedLink(port, called)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario that was read and checked.

    Attributes:
        name: Its name.
        part: The content of its file.
        seed: Seed of all chance.
    """

    name: str
    part: ScenarioPart
    seed: int

    def build(self) -> SimulatedBus:
        """Bring it to life; every call gives a new bus that starts at instant 0."""
        part = self.part
        site = build_site(part, self.seed)
        line = Line(line_parameters(part.line), self.seed)
        stations: list[Station] = []
        truths = []
        for number, device in enumerate(part.devices):
            settings = device_settings(device, part.line)
            server = build_server(
                device, site, self.seed, settings.baud, _change(stations, number, settings)
            )
            stations.append(line.add_station(station_parameters(device, part.line), server))
            truths.append(
                DeviceTruth(
                    device.name,
                    device.address,
                    device.maker,
                    device.model,
                    device.serial,
                    settings,
                    device.position_m,
                    device.measures.point,
                    device.measures.positive,
                    meter_wiring(device.measures),
                )
            )
        if part.line.foreign_master is not None:
            line.add_master(master_parameters(part.line.foreign_master, part.line))
        return SimulatedBus(
            line,
            site,
            line_settings(part.line.settings),
            Truth(part.truth, tuple(truths)),
            Hands(site, _points(truths)),
            tuple(stations),
            self.name,
            part,
        )


def _points(devices: Iterable[DeviceTruth]) -> dict[int, str]:
    """What is measured at each address; of two devices at one address the first."""
    points: dict[int, str] = {}
    for device in devices:
        points.setdefault(device.address, device.point)
    return points


def _change(stations: list[Station], number: int, settings: LineSettings) -> Apply:
    """What a device does when it takes a new address or rate."""

    def apply(address: int, baud: int, _now_ns: int) -> None:
        new = LineSettings(baud, settings.parity, settings.stop_bits)
        stations[number].request_change(address=address, settings=new)

    return apply


def load_scenario(name_or_path: str, seed: int | None = None) -> Scenario:
    """Read a scenario.

    Args:
        name_or_path: Name of a shipped scenario, the path of a file, or an exercise
            (see `busprobe_sim.training.library`).
        seed: Another seed than that of the file.

    Raises:
        InputError: No such scenario, or it is wrong.
    """
    # Exercises are made of scenarios: imported only when one may be meant.
    if name_or_path not in scenario_names():
        from busprobe_sim.training.library import exercise_scenario, names_exercise

        if names_exercise(name_or_path):
            drawn, drawn_seed = exercise_scenario(name_or_path)
            return Scenario(name_or_path, drawn, drawn_seed if seed is None else seed)
    part = read_scenario(name_or_path)
    name = name_or_path.replace("\\", "/").rsplit("/", 1)[-1].removesuffix(".yaml")
    return Scenario(name, part, part.seed if seed is None else seed)


def open_simulated(
    endpoint: Endpoint, settings: LineSettings | None = None, pace: Pace = "real"
) -> tuple[Link, SimulatedBus]:
    """Open the bus that a LINK argument ``sim:SCENARIO`` names.

    Args:
        endpoint: The parsed argument.
        settings: Settings of the adapter; those of the scenario's line if left out.
        pace: Virtual or real time.

    Raises:
        InputError: No such scenario, or it is wrong.
    """
    bus = load_scenario(endpoint.target).build()
    return bus.open_link(pace, settings, endpoint), bus
