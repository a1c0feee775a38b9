"""The electrical site: who draws what, and which voltages and currents follow at any instant.

Theory of operation: all loads and sources hang on one board behind the supply's impedance. Loads
are either impedances or constant powers, so the voltages at the board solve
``V = E - Z I(V) - Zn sum I(V)``; a few rounds of substitution settle it, since the sag is a few
percent. Fundamental-frequency phasors, steady state: no harmonics, no transients.
A load between two legs of a split-phase supply counts half on each.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from busprobe_sim.site.demand import Demand
from busprobe_sim.site.household import Household
from busprobe_sim.site.loads import Heater, LoadParameters, SwitchedLoad
from busprobe_sim.site.sources import Source, SourceParameters
from busprobe_sim.site.supply import Supply, SupplyParameters, Three

GRID = "grid"
HOUSE = "house"
_ROUNDS = 6
_REMEMBERED = 64


@dataclass(frozen=True, slots=True)
class SiteParameters:
    """An electrical site.

    Attributes:
        supply: The connection.
        household: Preset of the unnamed consumption ("off", "quiet", "normal", "busy").
        base_w: Steady load of each phase [W].
        loads: Named loads.
        sources: Generators and hybrid inverters; their names are measuring points.
        socket: Feeder on which the technician's test heater is plugged.
    """

    supply: SupplyParameters = field(default_factory=SupplyParameters)
    household: str = "quiet"
    base_w: tuple[float, float, float] = (180.0, 240.0, 120.0)
    loads: tuple[LoadParameters, ...] = ()
    sources: tuple[SourceParameters, ...] = ()
    socket: str = HOUSE


@dataclass(frozen=True, slots=True)
class SiteState:
    """Phasors at one instant.

    Attributes:
        voltages: At the board, line to neutral bar [V].
        currents: By measuring point, flowing away from the grid [A]; a source that feeds in shows
            a current against that direction.
        frequency_hz: Frequency [Hz].
    """

    voltages: Three
    currents: Mapping[str, Three]
    frequency_hz: float


class Site:
    """Evaluates a site at any instant, in any order, from a seed."""

    def __init__(self, parameters: SiteParameters, seed: int) -> None:
        self.parameters = parameters
        self._supply = Supply(parameters.supply, seed)
        self._household = Household(parameters.household, parameters.base_w, seed)
        self._loads = {load.name: SwitchedLoad(load, seed) for load in parameters.loads}
        self._sources = {source.name: Source(source, seed) for source in parameters.sources}
        self._heater = Heater(seed)
        self._known: dict[int, SiteState] = {}

    @property
    def points(self) -> tuple[str, ...]:
        """Names of the measuring points."""
        feeders = dict.fromkeys(load.parameters.feeder for load in self._loads.values())
        return (GRID, *dict.fromkeys((HOUSE, *feeders)), *self._sources)

    def switch(self, name: str, on: bool, at_ns: int) -> None:
        """Switch a named load at an instant [ns].

        Raises:
            KeyError: No such load.
        """
        self._loads[name].history.set(1.0 if on else 0.0, at_ns)
        self._forget()

    def plug(
        self, phase: str, power_w: float, on: bool, at_ns: int, feeder: str | None = None
    ) -> None:
        """Switch the technician's test heater.

        Args:
            phase: "L1", "L2", "L3" or "L1L2L3".
            power_w: Its name plate [W]; the true power is within 5 % and follows the voltage.
            on: On or off.
            at_ns: When [ns].
            feeder: Another feeder than the site's socket.
        """
        self._heater.plug(feeder or self.parameters.socket, phase, power_w, on, at_ns)
        self._forget()

    def curtail(self, name: str, share: float, at_ns: int) -> None:
        """Limit a source to a share of its rating from an instant [ns] on.

        Raises:
            KeyError: No such source.
        """
        self._sources[name].limit.set(share, at_ns)
        self._forget()

    def command_battery(self, name: str, power_w: float, at_ns: int) -> None:
        """Command the battery of a source in mode "command"; discharge positive [W].

        Raises:
            KeyError: No such source.
        """
        self._sources[name].command.set(power_w, at_ns)
        self._forget()

    def source_power_w(self, name: str, t_ns: int) -> tuple[float, float, float]:
        """Power that a source feeds in on each phase [W].

        Raises:
            KeyError: No such source.
        """
        return self._sources[name].power_w(t_ns, self._net_w)

    def state(self, t_ns: int) -> SiteState:
        """Voltages and currents at an instant [ns]."""
        found = self._known.get(t_ns)
        if found is None:
            found = self._solve(t_ns)
            if len(self._known) >= _REMEMBERED:
                self._known.clear()
            self._known[t_ns] = found
        return found

    def _forget(self) -> None:
        self._known.clear()
        for source in self._sources.values():
            source.forget()

    def _demands(self, t_ns: int) -> dict[str, Demand]:
        """Demand of every feeder, sources excluded."""
        feeders: dict[str, Demand] = {HOUSE: Demand()}
        self._household.add_to(feeders[HOUSE], t_ns / 1e9)
        for load in self._loads.values():
            load.add_to(feeders.setdefault(load.parameters.feeder, Demand()), t_ns)
        for feeder in self._heater.feeders:
            self._heater.add_to(feeders.setdefault(feeder, Demand()), feeder, t_ns)
        return feeders

    def _net_w(self, t_ns: int) -> tuple[float, float, float]:
        """What the feed-in point draws at nominal voltage, batteries excluded [W]."""
        sums = [0.0, 0.0, 0.0]
        for demand in self._demands(t_ns).values():
            for k in range(3):
                sums[k] += demand.constant_va[k].real + demand.resistive_va[k].real
        for source in self._sources.values():
            if source.parameters.before_meter:
                continue
            each = source.primary_w(t_ns) / len(source.phases)
            for k in source.phases:
                sums[k] -= each
        return sums[0], sums[1], sums[2]

    def _solve(self, t_ns: int) -> SiteState:
        t_s = t_ns / 1e9
        branches = self._demands(t_ns)
        for name, source in self._sources.items():
            demand = branches[name] = Demand()
            for k, watts in enumerate(source.power_w(t_ns, self._net_w)):
                demand.add(k, complex(-watts), False)
        nominal = self.parameters.supply.nominal_v
        total = Demand()
        for demand in branches.values():
            for k in range(3):
                total.constant_va[k] += demand.constant_va[k]
                total.resistive_va[k] += demand.resistive_va[k]
        electromotive = self._supply.voltages(t_s)
        voltages = electromotive
        for _ in range(_ROUNDS):
            voltages = self._supply.at_terminals(electromotive, total.currents(voltages, nominal))
        currents = {name: demand.currents(voltages, nominal) for name, demand in branches.items()}
        currents[GRID] = total.currents(voltages, nominal)
        for name, source in self._sources.items():
            own = currents[name]
            where = source.parameters
            if where.before_meter:
                currents[GRID] = _sum(currents[GRID], own, -1.0)
            elif where.feeder:
                currents[where.feeder] = _sum(currents[where.feeder], own, 1.0)
        return SiteState(voltages, currents, self._supply.frequency(t_s))


def _sum(currents: Three, others: Three, factor: float) -> Three:
    first, second, third = (a + factor * b for a, b in zip(currents, others, strict=True))
    return first, second, third
