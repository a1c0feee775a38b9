"""How a trainee treated the bus: time, and disturbance that was not needed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busprobe_sim.training.exercise import ConductPart

# MODBUS Application Protocol V1.1b3, section 6: functions that change something in a device.
WRITING_FUNCTIONS = frozenset({5, 6, 15, 16, 21, 22, 23})
_FIRST, _LAST = 1, 247

_LISTEN_POINTS = 5.0
_MASTER_POINTS = 5.0
_MASTER_POINTS_MOST = 20.0
_REQUESTS_PER_POINT = 10
_UNPLUGGED_POINTS = 2.0
_WRITE_POINTS = 25.0
_WRITE_POINTS_MOST = 50.0
_SWEEP_POINTS = 3.0
_SWEEP_POINTS_MOST = 9.0
# Whoever asks so many different addresses goes through the whole line.
_WHOLE_LINE = 100
_TIME_POINTS_MOST = 10.0
# A tenth of the time that is enough costs a point.
_POINTS_PER_PAR = 10.0


@dataclass(frozen=True, slots=True)
class Request:
    """A request that was sent.

    Attributes:
        t_s: When, from the opening of the link [s].
        address: Address asked.
        function: Function code.
    """

    t_s: float
    address: int
    function: int


@dataclass(frozen=True, slots=True)
class Course:
    """What a trainee did on the bus with one command.

    Attributes:
        name: What to call it.
        began: Order among several: seconds on any common clock.
        duration_s: Bus time [s].
        requests: Everything sent, in order.
        alone: Whether the other master was unplugged meanwhile.
    """

    name: str
    began: float
    duration_s: float
    requests: tuple[Request, ...]
    alone: bool = False


@dataclass(frozen=True, slots=True)
class Disturbance:
    """Something that was not needed.

    Attributes:
        kind: Which, in kebab-case.
        count: How often.
        points: Points it costs.
        text: What it means for the customer, in words.
    """

    kind: str
    count: int
    points: float
    text: str


def disturbances(
    courses: Sequence[Course], rules: ConductPart, *, master: bool
) -> tuple[Disturbance, ...]:
    """What was not needed, and what it costs.

    Args:
        courses: Everything that was done on the bus.
        rules: What this exercise allows.
        master: Whether another master polls on this bus.
    """
    ordered = sorted(courses, key=lambda c: c.began)
    found = [
        _not_listened(ordered, rules),
        *(_beside_master(ordered, rules) if master else ()),
        _writes(ordered),
        _reserved(ordered),
        _sweeps(ordered),
    ]
    return tuple(each for each in found if each is not None)


def time_points(bus_time_s: float, par_s: float) -> float:
    """Points that a long visit costs: one for each tenth of the par time beyond it, at most 10."""
    over = bus_time_s / par_s - 1.0
    return round(min(_TIME_POINTS_MOST, max(0.0, _POINTS_PER_PAR * over)), 1)


def _not_listened(courses: Sequence[Course], rules: ConductPart) -> Disturbance | None:
    listened = 0.0
    for course in courses:
        first = course.requests[0].t_s if course.requests else course.duration_s
        listened = max(listened, first)
        if course.requests:
            if listened >= rules.listen_first_s:
                return None
            return Disturbance(
                "talked-before-listening",
                1,
                _LISTEN_POINTS,
                f"The first request of '{course.name}' left after {first:.1f} s; nobody had "
                "listened whether somebody else was talking.",
            )
    return None


def _beside_master(courses: Sequence[Course], rules: ConductPart) -> list[Disturbance]:
    found = []
    count = sum(len(course.requests) for course in courses if not course.alone)
    over = count - rules.requests_beside_master
    if over > 0:
        points = min(_MASTER_POINTS_MOST, _MASTER_POINTS + over / _REQUESTS_PER_POINT)
        found.append(
            Disturbance(
                "talked-beside-master",
                over,
                round(points, 1),
                f"{over} requests were sent while the energy manager polls: each may destroy one "
                "of its readings.",
            )
        )
    unplugged = sum(1 for course in courses if course.alone)
    if unplugged:
        found.append(
            Disturbance(
                "master-unplugged",
                unplugged,
                _UNPLUGGED_POINTS,
                "The energy manager was unplugged: tell the customer, and plug it in again.",
            )
        )
    return found


def _writes(courses: Sequence[Course]) -> Disturbance | None:
    count = sum(r.function in WRITING_FUNCTIONS for c in courses for r in c.requests)
    if not count:
        return None
    return Disturbance(
        "wrote",
        count,
        min(_WRITE_POINTS_MOST, _WRITE_POINTS * count),
        f"{count} write requests were sent: nothing had to be changed to find the causes.",
    )


def _reserved(courses: Sequence[Course]) -> Disturbance | None:
    count = sum(not _FIRST <= r.address <= _LAST for c in courses for r in c.requests)
    if not count:
        return None
    return Disturbance(
        "broadcast-or-reserved",
        count,
        _WRITE_POINTS,
        f"{count} requests went to address 0 or above 247: all devices act on a broadcast.",
    )


def _sweeps(courses: Sequence[Course]) -> Disturbance | None:
    whole = sum(len({r.address for r in c.requests}) >= _WHOLE_LINE for c in courses)
    over = whole - 1
    if over < 1:
        return None
    return Disturbance(
        "swept-again",
        over,
        min(_SWEEP_POINTS_MOST, _SWEEP_POINTS * over),
        f"The whole line was searched {whole} times; the first recording could be read again.",
    )
