"""What feeds in: PV, wind, hydro, a CHP set, and the hybrid inverter with its battery."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from busprobe_sim.site.chance import Chance
from busprobe_sim.site.demand import PHASES, phase_indices
from busprobe_sim.site.loads import History

Kind = Literal["pv", "wind", "hydro", "chp", "none"]
BatteryMode = Literal["idle", "command", "zero-export"]

# The zero-export loop acts on the mean of the last readings, this often (common practice, no
# source). Its answer is a function of the demand alone, so that any instant can be evaluated.
CONTROL_S = 2.0
_TAPS = (0.5, 0.3, 0.2)


@dataclass(frozen=True, slots=True)
class SourceParameters:
    """A generator or a hybrid inverter.

    Attributes:
        name: Name, and measuring point, e.g. "generator" or "hybrid".
        kind: Where its power comes from; "none" for an inverter with a battery only.
        rated_va: Rating, all phases together [VA].
        phases: "L1", "L2", "L3" or "L1L2L3".
        level: Share of the rating that sun, wind or water give on the average.
        clouds: 0 for a clear sky or steady water, 1 for broken clouds or gusts.
        battery: What the battery does; "idle" also where there is none.
        battery_w: Commanded battery power, all phases together, discharge positive [W].
        feeder: The feeder it hangs on, whose measuring point counts it too; "" for the board.
        before_meter: On the grid's side of the feed-in meter, which does not see it.
    """

    name: str
    kind: Kind = "pv"
    rated_va: float = 5000.0
    phases: str = "L1L2L3"
    level: float = 0.5
    clouds: float = 0.2
    battery: BatteryMode = "idle"
    battery_w: float = 0.0
    feeder: str = ""
    before_meter: bool = False


class Source:
    """A source with its commands; power per phase at any instant, generation positive."""

    def __init__(self, parameters: SourceParameters, seed: int) -> None:
        self.parameters = parameters
        self.limit = History(1.0)
        self.command = History(parameters.battery_w)
        self._chance = Chance(seed, f"source/{parameters.name}")
        self.phases = phase_indices(parameters.phases)
        self._loop: dict[int, tuple[float, float, float]] = {}

    def primary_w(self, t_ns: int) -> float:
        """Power from sun, wind, water or fuel, all phases together [W]."""
        p, t_s = self.parameters, t_ns / 1e9
        if p.kind == "none":
            return 0.0
        fast = self._chance.drift(t_s, 11.0) if p.clouds else 0.0
        slow = self._chance.drift(t_s, 240.0, 1)
        if p.kind == "pv":
            # Broken clouds: the sky is open or shut with quick edges between.
            shut = 1.0 / (1.0 + math.exp(-12.0 * (0.6 * fast + 0.4 * slow)))
            share = p.level * (1.0 - 0.7 * p.clouds * shut + 0.01 * slow)
        elif p.kind == "wind":
            share = p.level * (1.0 + p.clouds * (0.5 * fast + 0.3 * slow)) ** 3
        elif p.kind == "hydro":
            share = p.level * (1.0 + 0.05 * p.clouds * (fast + slow) + 0.01 * slow)
        else:
            # A CHP set runs at its rating or stands still, for minutes at a time.
            share = (
                p.level if math.floor(t_s / 900.0 + self._chance.uniform(0, 2)) % 2 == 0 else 0.0
            )
        share = min(max(share, 0.0), self.limit.at(t_ns))
        return min(share, 1.0) * p.rated_va

    def power_w(
        self, t_ns: int, net_w: Callable[[int], tuple[float, float, float]]
    ) -> tuple[float, float, float]:
        """Power fed in on each phase [W].

        Args:
            t_ns: The instant [ns].
            net_w: Power that the site draws on each phase without any battery, at an instant.
        """
        p = self.parameters
        out = [0.0, 0.0, 0.0]
        share = self.primary_w(t_ns) / len(self.phases)
        battery = (0.0, 0.0, 0.0)
        if p.battery == "zero-export":
            battery = self._controlled(t_ns, net_w)
        elif p.battery == "command":
            each = self.command.at(t_ns) / len(self.phases)
            battery = (each, each, each)
        most = p.rated_va / len(self.phases)
        for k in self.phases:
            out[k] = min(max(share + battery[k], -most), most)
        return out[0], out[1], out[2]

    def _controlled(
        self, t_ns: int, net_w: Callable[[int], tuple[float, float, float]]
    ) -> tuple[float, float, float]:
        step_ns = round(CONTROL_S * 1e9)
        number = t_ns // step_ns
        found = self._loop.get(number)
        if found is None:
            sums = [0.0] * len(PHASES)
            for i, weight in enumerate(_TAPS):
                for k, watts in enumerate(net_w((number - 1 - i) * step_ns)):
                    sums[k] += weight * watts
            found = (sums[0], sums[1], sums[2])
            if len(self._loop) > 256:
                self._loop.clear()
            self._loop[number] = found
        return found

    def forget(self) -> None:
        """Drop what was computed from a demand that has changed since."""
        self._loop.clear()
