"""When the known load was switched: announced by the operator, or found in the record."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from busprobe.diagnosis.wiring.samples import Index, Samples
from busprobe.model.series import SwitchMark

# The real switching follows its announcement within this time [s] (the series format says so).
REACTION_S = 3.0
# The announcement itself may be late by a row or a clock's rounding [s].
EARLY_S = 0.5
# Longest average of a meter that is allowed for [s].
MOST_SETTLING_S = 7.0
# Log odds from which the polarity of a test that was found is not doubted.
SURE_LEAD = 12.0


@dataclass(frozen=True, slots=True)
class Edge:
    """One switching.

    Attributes:
        t_s: When it was announced or found [s].
        on: Switched on (else off).
        test: Which test it belongs to: a run of switchings of the load in one place.
        pairs: First rows of the differences that may hold the whole switching.
    """

    t_s: float
    on: bool
    test: int
    pairs: Index


@dataclass(frozen=True, slots=True)
class Schedule:
    """All switchings of the known load.

    Attributes:
        edges: In order of time.
        announced: Phase announced for each test.
        named: Whether the names come from the operator (else from the order of the tests).
        marked: Whether the times come from the operator.
        tangled: Whether something else in the record looks like the load, so that a phase without
            a test may have had one all the same.
        leads: For each test found, the log odds against taking every "on" for an "off"; empty
            where the operator announced them.
    """

    edges: tuple[Edge, ...]
    announced: tuple[str, ...]
    named: bool
    marked: bool
    tangled: bool = False
    leads: tuple[float, ...] = ()

    def readings(self) -> list[tuple[Schedule, float]]:
        """This schedule, and those in which one test is the other way round, with log weights."""
        out = [(self, 0.0)]
        for test, lead in enumerate(self.leads):
            if lead < SURE_LEAD:
                edges = tuple(
                    replace(edge, on=not edge.on) if edge.test == test else edge
                    for edge in self.edges
                )
                out.append((replace(self, edges=edges), -lead))
        return out


def pairs_between(samples: Samples, first_s: float, last_s: float) -> Index:
    """First rows of the differences that may hold a switching between two instants."""
    early, late = samples.t_s[: -samples.lag], samples.t_s[samples.lag :]
    # One row beyond the first belongs to a register that was not refreshed yet.
    inside = (late >= first_s + samples.period_s * 0.5) & (early <= last_s)
    return np.flatnonzero(inside)


def marked_schedule(
    samples: Samples, marks: Sequence[SwitchMark], fallback: str, phases: Sequence[str]
) -> Schedule:
    """The switchings that the operator announced.

    Args:
        samples: The record.
        marks: The announcements.
        fallback: Phase of a mark that names none.
        phases: Phases the system has; a name that is none of them stays a name of its own.
    """
    ordered = sorted(marks, key=lambda mark: mark.t_s)
    announced: list[str] = []
    edges: list[Edge] = []
    end = float(samples.t_s[-1])
    for number, mark in enumerate(ordered):
        label = mark.phase if mark.phase != "unknown" else fallback
        if not announced or announced[-1] != label:
            announced.append(label)
        stop = mark.t_s + REACTION_S
        if number + 1 < len(ordered):
            stop = min(stop, max(ordered[number + 1].t_s, mark.t_s + samples.period_s))
        if stop > end - samples.period_s * 0.5:
            # Its end is not in the record yet: no evidence for or against anything.
            continue
        pairs = pairs_between(samples, mark.t_s - EARLY_S, stop)
        if pairs.size:
            edges.append(Edge(mark.t_s, mark.on, len(announced) - 1, pairs))
    named = all(label in phases or label == "L1L2L3" for label in announced)
    return Schedule(tuple(edges), tuple(announced), named, marked=True)


def settled(samples: Samples, schedule: Schedule, power_w: float) -> Samples:
    """The same record with differences long enough for a meter that averages.

    Over an average of several seconds a short difference holds only a part of the step. Longer
    ones are taken where the steps of the load, and nothing else, go on growing with the length.
    """
    holds = [b.t_s - a.t_s for a, b in pairwise(schedule.edges) if b.t_s > a.t_s]
    most = min([MOST_SETTLING_S, *(0.7 * hold for hold in holds)])
    lags = range(samples.lag, max(samples.lag, int(most / samples.period_s)) + 1)
    sizes = [_step_size(replace(samples, lag=lag), schedule) for lag in lags]
    longest = max(sizes)
    if not 0.6 * power_w < longest < 1.6 * power_w or sizes[0] > 0.85 * longest:
        return samples
    enough = next(lag for lag, size in zip(lags, sizes, strict=True) if size > 0.95 * longest)
    return replace(samples, lag=enough)


def _step_size(samples: Samples, schedule: Schedule) -> float:
    """Typical size of the largest step at the switchings [W]."""
    steps = [np.abs(samples.differences(one.power)) for one in samples.inputs]
    seen = []
    for edge in schedule.edges:
        pairs = edge.pairs[edge.pairs < steps[0].size]
        window = [step[pairs] for step in steps]
        if pairs.size and np.isfinite(window).any():
            seen.append(float(np.nanmax(window)))
    return float(np.median(seen)) if seen else 0.0


def quiet_pairs(samples: Samples, schedule: Schedule) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Which differences hold no switching of the known load."""
    quiet = np.ones(samples.t_s.size - samples.lag, dtype=bool)
    margin = samples.period_s if schedule.marked else samples.lag * samples.period_s
    for edge in schedule.edges:
        first = samples.t_s[edge.pairs[0]] - margin
        last = samples.t_s[edge.pairs[-1]] + margin
        quiet &= (samples.t_s[: -samples.lag] < first) | (samples.t_s[: -samples.lag] > last)
    return quiet
