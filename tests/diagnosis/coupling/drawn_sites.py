"""Drawn sites for the coupling checks: a simulated household and a simulated generator.

Two meters are read in turn once a second, a third of a second apart, each refreshing its registers
once a second, with readings of 1 W. What connects the two is drawn: the grid meter sees the
generator, it does not, or one of the two counts the wrong way.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from busprobe.diagnosis.coupling import Role, Track
from busprobe_sim.site.demand import Demand
from busprobe_sim.site.household import Household
from busprobe_sim.site.sources import Source, SourceParameters

KINDS = ("pv", "wind", "hydro", "chp")
HOUSEHOLDS = ("off", "quiet", "normal", "busy")


@dataclass(frozen=True)
class Drawn:
    """A drawn site.

    Attributes:
        generator: The generator's meter, import positive.
        grid: The grid meter, import positive.
        slope: The truth: 1, 0 or -1.
        kind: What drives the generator.
        household: How busy the house is.
    """

    generator: Track
    grid: Track
    slope: int
    kind: str
    household: str


def draw(seed: int, seconds: int, slope: int | None = None) -> Drawn:
    """Draw a site and read it for so many seconds."""
    chance = random.Random(seed)
    kind, busy = chance.choice(KINDS), chance.choice(HOUSEHOLDS)
    truth = chance.choice((1, 0, -1)) if slope is None else slope
    rated = chance.uniform(1500, 12000)
    source = Source(
        SourceParameters(
            "set", kind, rated, level=chance.uniform(0.2, 0.9), clouds=chance.random()
        ),
        seed,
    )
    base = chance.uniform(30, 400)
    house = Household(busy, (base, base, base), seed)
    begin = chance.uniform(0, 5000)

    def given(t_s: float) -> float:
        return source.primary_w(round(t_s * 1e9))

    def drawn(t_s: float) -> float:
        demand = Demand()
        house.add_to(demand, t_s)
        return sum(p.real for p in (*demand.constant_va, *demand.resistive_va))

    t_s, generator, grid = [], [], []
    late = chance.random(), chance.random()
    for n in range(seconds):
        now = begin + n
        at_generator, at_grid = now - late[0], now + 0.33 - late[1]
        t_s.append(float(n))
        generator.append(float(round(-given(at_generator))))
        seen = {1: -given(at_grid), 0: 0.0, -1: given(at_grid)}[truth]
        grid.append(float(round(drawn(at_grid) + seen)))
    return Drawn(
        Track("set", 2, Role.GENERATION, tuple(t_s), tuple(generator), True, rated_w=rated),
        Track("grid", 1, Role.GRID, tuple(t_s), tuple(grid), True),
        truth,
        kind,
        busy,
    )
