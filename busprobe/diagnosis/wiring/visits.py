"""Where the known load was: the tests of a record and the names they may have."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations, groupby, permutations

from busprobe.diagnosis.wiring.edges import Schedule
from busprobe.diagnosis.wiring.evidence import (
    mean_volts,
    name_plate_power,
    nominal_voltage,
    odd_levels,
)
from busprobe.diagnosis.wiring.physics import Network
from busprobe.diagnosis.wiring.samples import Samples
from busprobe.diagnosis.wiring.search import found_schedule
from busprobe.diagnosis.wiring.types import KnownLoad


def search(samples: Samples, load: KnownLoad, net: Network) -> Schedule:
    """Find the switchings of the load without announcements."""
    volts = mean_volts(samples)
    power = name_plate_power(load, nominal_voltage(volts, net))
    if load.phase == "L1L2L3":
        power /= len(net.phases)
    directions = 12 if odd_levels(volts, net) else 6
    schedule = found_schedule(samples, power, load.tolerance, directions)
    if load.phase in (*net.phases, "L1L2L3") and schedule.edges:
        # One place only: everything that was found belongs to it.
        edges = tuple(replace(edge, test=0) for edge in schedule.edges)
        return replace(
            schedule,
            edges=edges,
            announced=(load.phase,),
            named=True,
            tangled=False,
            leads=(max(schedule.leads),),
        )
    return schedule


def possible_names(
    schedule: Schedule, load: KnownLoad, net: Network
) -> tuple[tuple[str, ...], ...]:
    """Every set of names that the tests may have."""
    if schedule.named:
        return (schedule.announced,)
    count = min(len(schedule.announced), len(net.phases))
    rest = ("unknown",) * (len(schedule.announced) - count)
    if load.phase == "each" and not schedule.tangled and _in_turn(schedule, len(net.phases)):
        if not _whole_rounds(schedule, len(net.phases)):
            # A visit was missed, and it may have been the first one.
            turns = [(*net.phases[k:], *net.phases[:k]) for k in range(len(net.phases))]
            return tuple((*names[:count], *rest) for names in turns)
        # One phase after the other, in their order; a phase that showed nothing may be any.
        return tuple((*names, *rest) for names in combinations(net.phases, count))
    fixed = [label in net.phases or label == "L1L2L3" for label in schedule.announced]
    if any(fixed):
        return (
            tuple(
                label if known else "unknown"
                for label, known in zip(schedule.announced, fixed, strict=True)
            ),
        )
    return tuple((*names, *rest) for names in permutations(net.phases, count))


def _in_turn(schedule: Schedule, phases: int) -> bool:
    """Whether the load went through its places in turn, once or in whole rounds.

    Otherwise something was missed or is not the load, and the order says nothing about names.
    """
    visits = [test for test, _ in groupby(edge.test for edge in schedule.edges)]
    places = len(schedule.announced)
    if places < phases:
        # A place without a trace: only one visit to each of the others keeps their order.
        return visits == sorted(set(visits))
    return all(test == number % places for number, test in enumerate(visits))


def _whole_rounds(schedule: Schedule, phases: int) -> bool:
    """Whether every place was visited equally often, so that no visit was missed."""
    visits = [test for test, _ in groupby(edge.test for edge in schedule.edges)]
    return len(schedule.announced) < phases or len(visits) % phases == 0
