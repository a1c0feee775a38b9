"""Watching only: pairing and direction from step angles and sags, names never."""

from __future__ import annotations

import numpy as np
import pytest

from busprobe.diagnosis.wiring import (
    MeterSystem,
    WiringDiagnosis,
    WiringVerdict,
    diagnose_wiring,
)
from busprobe.model.series import Series
from tests.benchmarks.household import Site, Wiring, record
from tests.diagnosis.wiring.phasors import three_wire_watch


def watched(wiring: Wiring, minutes: float = 30.0, columns: str = "VIPQ") -> WiringDiagnosis:
    rng = np.random.default_rng(5)
    series = record(
        rng, Site("normal"), wiring, (), duration_s=60.0 * minutes, marks=False, columns=columns
    )
    return diagnose_wiring(series, None, MeterSystem.THREE_PHASE_FOUR_WIRE)


def pairings(diagnosis: WiringDiagnosis) -> set[tuple[tuple[int, str], ...]]:
    """Which lead each CT belongs to and its direction, in every explanation."""
    out = set()
    for e in diagnosis.explanations:
        places = [v.conductor for v in e.voltages]
        out.add(tuple((places.index(ct.conductor), ct.direction) for ct in e.cts))
    return out


@pytest.mark.parametrize(
    ("wiring", "pairing"),
    [
        (Wiring(), ((0, "forward"), (1, "forward"), (2, "forward"))),
        (Wiring(directions=(1, -1, 1)), ((0, "forward"), (1, "reversed"), (2, "forward"))),
        (
            Wiring(conductors=("L2", "L3", "L1")),
            ((1, "forward"), (2, "forward"), (0, "forward")),
        ),
        (
            Wiring(conductors=("L2", "L1", "L3")),
            ((1, "forward"), (0, "forward"), (2, "forward")),
        ),
    ],
)
def test_pairing_and_direction_are_found(
    wiring: Wiring, pairing: tuple[tuple[int, str], ...]
) -> None:
    diagnosis = watched(wiring)
    assert pairings(diagnosis) == {pairing}
    # Leads and CTs exchanged alike read the same: three names with the rotation known.
    assert diagnosis.verdict is WiringVerdict.AMBIGUOUS
    assert len(diagnosis.explanations) == 3
    assert any(
        tuple(ct.conductor for ct in e.cts) == wiring.conductors
        and tuple(v.conductor for v in e.voltages) == wiring.leads
        for e in diagnosis.explanations
    )


TURNED = {"forward": "reversed", "reversed": "forward"}


def directions(diagnosis: WiringDiagnosis) -> set[tuple[str, ...]]:
    """The directions of the CTs in every explanation."""
    return {tuple(ct.direction for ct in e.cts) for e in diagnosis.explanations}


def test_without_voltages_no_direction_is_claimed() -> None:
    """Symmetrical motors show which CTs differ; which of them are right nobody can say."""
    diagnosis = watched(Wiring(directions=(1, -1, 1)), columns="PQ")
    assert diagnosis.verdict is WiringVerdict.AMBIGUOUS
    seen = directions(diagnosis)
    assert ("forward", "reversed", "forward") in seen
    assert seen == {tuple(TURNED[d] for d in one) for one in seen}


def test_coarse_voltages_are_left_out() -> None:
    rng = np.random.default_rng(5)
    series = record(rng, Site("normal"), Wiring(), (), duration_s=1200.0, marks=False)
    coarse = Series(
        series.t_s,
        {
            name: tuple(None if x is None else float(round(x)) for x in values)
            if name[0] == "V"
            else values
            for name, values in series.columns.items()
        },
    )
    diagnosis = diagnose_wiring(coarse, None)
    seen = directions(diagnosis)
    assert ("forward",) * 3 in seen
    assert seen == {tuple(TURNED[d] for d in one) for one in seen}


def test_a_still_house_tells_nothing() -> None:
    n = 300
    still = Series(
        tuple(float(i) for i in range(n)),
        {f"P_L{k}": (100.0 + k,) * n for k in (1, 2, 3)},
    )
    diagnosis = diagnose_wiring(still, None)
    assert diagnosis.verdict is WiringVerdict.UNDECIDED
    assert diagnosis.next_experiment is not None


def test_without_symmetrical_loads_every_direction_stays_open() -> None:
    """Single-phase appliances alone, without voltages: eight sets of directions fit alike."""
    rng = np.random.default_rng(9)
    rows = np.full((900, 3), 200.0)
    for number in range(88):
        # One phase after the other, every appliance of another size, on for half a minute.
        start = 10 * number + 5
        rows[start : start + 30, number % 3] += rng.uniform(200.0, 2500.0)
    still = np.zeros(900)
    series = Series(
        tuple(float(i) for i in range(900)),
        {f"P_L{k + 1}": tuple(float(v) for v in rows[:, k]) for k in range(3)}
        | {f"Q_L{k + 1}": tuple(float(v) for v in still) for k in range(3)},
    )
    assert len(directions(diagnose_wiring(series, None))) == 8


@pytest.mark.parametrize(
    "wiring",
    [
        Wiring(conductors=("L1", "L1", "L3")),
        Wiring(conductors=("L1", "L3", "L3"), directions=(1, -1, 1)),
        Wiring(conductors=("N", "L2", "L3")),
    ],
)
def test_two_cts_on_one_conductor_and_one_on_the_neutral_are_seen(wiring: Wiring) -> None:
    diagnosis = watched(wiring)
    assert diagnosis.verdict is WiringVerdict.AMBIGUOUS
    names = {1: "forward", -1: "reversed"}
    truth = (
        wiring.leads,
        wiring.conductors,
        tuple(names[d] for d in wiring.directions),
    )
    told = {
        (
            tuple(v.conductor for v in e.voltages),
            tuple(ct.conductor for ct in e.cts),
            tuple(ct.direction for ct in e.cts),
        )
        for e in diagnosis.explanations
    }
    assert truth in told
    # All of them say the same but for the names of the phases.
    assert len(told) == 3


@pytest.mark.parametrize("heaters", [True, False])
@pytest.mark.parametrize(
    ("leads", "places", "directions_"),
    [
        (("L1", "L3", "L2"), ("L1", "L3"), (1, 1)),
        (("L1", "L3", "L2"), ("L1", "L3"), (1, -1)),
        (("L1", "L3", "L2"), ("L3", "L1"), (1, 1)),
        (("L2", "L3", "L1"), ("L1", "L3"), (-1, 1)),
    ],
)
def test_two_elements_on_three_wires_are_watched(
    leads: tuple[str, str, str],
    places: tuple[str, str],
    directions_: tuple[int, int],
    heaters: bool,
) -> None:
    """What is left are the names, and the directions of both CTs together."""
    series = three_wire_watch(leads, places, directions_, seed=31, heaters=heaters)
    found = diagnose_wiring(series, None, MeterSystem.THREE_PHASE_THREE_WIRE)
    names = {1: "forward", -1: "reversed"}
    told = {
        (
            (*(v.conductor for v in e.voltages), e.neutral),
            tuple((ct.conductor, ct.direction) for ct in e.cts),
        )
        for e in found.explanations
    }
    truth = tuple((place, names[d]) for place, d in zip(places, directions_, strict=True))
    assert found.verdict is WiringVerdict.AMBIGUOUS
    assert (leads, truth) in told
    assert {(at, tuple((p, TURNED[d]) for p, d in cts)) for at, cts in told} == told
    assert len(told) in ((6,) if heaters else (6, 12))
