"""A scenario brought to life: line, devices, site, and the hands that plug a test heater."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe_sim.line.line import Line
from busprobe_sim.line.master import ForeignMaster
from busprobe_sim.line.port import Port
from busprobe_sim.line.station import Station
from busprobe_sim.meters.writing import Apply, Moved
from busprobe_sim.ports.virtual import VirtualLink
from busprobe_sim.scenario.build_device import build_server
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
from busprobe_sim.site.circuit import HOUSE

if TYPE_CHECKING:
    from busprobe.link.base import Link

Pace = Literal["virtual", "real"]

# A device that restarts still answers the request that made it do so.
_REPLY_FIRST_NS = 300_000_000
# How long a device needs after it was switched on (common practice, no source).
_START_NS = 2_000_000_000


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
    """The technician's hands, at the site and at the devices.

    They plug and unplug the test heater, hold sources back, take bus wires off and put them back
    on, and switch devices off and on.

    Args:
        site: The site.
        line: The line.
        devices: The devices on it, and what each of them measures.
        master: The other master on the line, if there is one.
        planned: Sources by the address of the meter that measures them by the papers, where that
            is not so.
    """

    def __init__(
        self,
        site: Site,
        line: Line,
        devices: Sequence[tuple[Station, str]],
        master: ForeignMaster | None = None,
        planned: Mapping[int, str] | None = None,
    ) -> None:
        self._site = site
        self._line = line
        self._devices = tuple(devices)
        self._loose: list[Station] = []
        self._master = master
        self._planned = dict(planned or {})
        self._feeder: str | None = None

    def carry(self, feeder: str) -> None:
        """Carry the test heater to a socket of another feeder; "" back to the scenario's.

        Raises:
            InputError: The site has no such feeder.
        """
        feeders = {HOUSE, *(load.feeder for load in self._site.parameters.loads)}
        if feeder and feeder not in feeders:
            raise InputError(
                f"There is no socket at '{visible(feeder)}'.",
                f"Plug the heater at one of: {', '.join(sorted(feeders))}.",
            )
        self._feeder = feeder or None

    def unplug_master(self, at_ns: int, *, plugged: bool = False) -> None:
        """Take the other master off the line, or plug it in again; without one nothing happens.

        Args:
            at_ns: When, on the clock of the line [ns].
            plugged: Plug it in again.
        """
        if self._master is not None:
            self._master.unplug(at_ns, plugged=plugged)

    def curtail(self, address: int, share: float, at_ns: int) -> bool:
        """Limit the source that the meter at an address measures.

        Args:
            address: Address of its meter.
            share: Share of its rating that it may give.
            at_ns: When, on the clock of the line [ns].

        Returns:
            Whether a source is measured there.
        """
        measured = (p for station, p in self._devices if station.address == address)
        point = self._planned.get(address) or next(measured, "")
        if point not in {source.name for source in self._site.parameters.sources}:
            return False
        self._site.curtail(point, share, at_ns)
        return True

    def disconnect(self, address: int, at_ns: int) -> bool:
        """Take the bus wires off one device at an address: of several the one furthest down.

        Args:
            address: Its address.
            at_ns: When, on the clock of the line [ns].

        Returns:
            Whether there is a device with this address on the line.
        """
        there = [s for s, _ in self._devices if s.address == address and s not in self._loose]
        if not there:
            return False
        station = max(there, key=lambda s: s.parameters.position_m)
        self._loose.append(station)
        self._line.schedule(at_ns, lambda: self._line.disconnect(station))
        return True

    def reconnect(self, at_ns: int) -> bool:
        """Put the bus wires back on that were taken off last.

        Args:
            at_ns: When, on the clock of the line [ns].

        Returns:
            Whether any were off.
        """
        if not self._loose:
            return False
        station = self._loose.pop()
        self._line.schedule(at_ns, lambda: self._line.connect(station))
        return True

    def anything_loose(self) -> bool:
        """Whether bus wires were taken off and not put back on."""
        return bool(self._loose)

    def power_cycle(self, address: int, at_ns: int) -> bool:
        """Switch a device off and on again; it needs a moment to start.

        Args:
            address: Its address.
            at_ns: When, on the clock of the line [ns].

        Returns:
            Whether there is a device with this address on the line.
        """
        station = next((s for s, _ in self._devices if s.address == address), None)
        if station is None:
            return False
        self._line.schedule(at_ns, lambda: station.restart(_START_NS))
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
            feeder: Another feeder than the one the heater was carried to.
        """
        self._site.plug(phase, power_w, on, at_ns, feeder or self._feeder)


@dataclass(frozen=True, slots=True)
class SimulatedBus:
    """A running bus.

    Attributes:
        line: The line.
        site: The electrical site.
        settings: Settings that most devices talk.
        truth: What is really there.
        hands: Plug a test heater, take wires off, switch devices off and on.
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
            server, writable = build_server(
                device, site, self.seed, settings, _change(stations, number)
            )
            stations.append(line.add_station(station_parameters(device, part.line), server))
            if writable is not None:
                stations[-1].on_restart = writable.restart
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
        master = None
        if part.line.foreign_master is not None:
            master = line.add_master(master_parameters(part.line.foreign_master, part.line))
        return SimulatedBus(
            line,
            site,
            line_settings(part.line.settings),
            Truth(part.truth, tuple(truths)),
            Hands(
                site,
                line,
                tuple(zip(stations, (truth.point for truth in truths), strict=True)),
                master,
                _planned(part),
            ),
            tuple(stations),
            self.name,
            part,
        )


def _planned(part: ScenarioPart) -> dict[int, str]:
    """Sources whose meter the papers name: whoever holds them back goes by these."""
    return {
        source.planned_address: source.name
        for source in part.site.sources
        if source.planned_address is not None
    }


def _change(stations: list[Station], number: int) -> Apply:
    """What a device does when another address or other settings come into force."""

    def apply(moved: Moved, _now_ns: int) -> None:
        station = stations[number]
        # Without a request there is no reply to wait for.
        station.request_change(
            address=moved.address,
            settings=moved.settings,
            at_once=moved.answers == "new" or station.is_restarting,
        )
        if moved.away_s:
            after_ns = max(round(moved.away_after_s * 1e9), _REPLY_FIRST_NS)
            line = station.line
            line.schedule(
                line.now_ns + after_ns, lambda: station.restart(round(moved.away_s * 1e9))
            )

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
