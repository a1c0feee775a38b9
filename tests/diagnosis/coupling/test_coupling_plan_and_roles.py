"""Ratings against limits, roles against signs, and the house that is left."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.catalogue import site as words
from busprobe.diagnosis.coupling import (
    Answer,
    Coupling,
    Generator,
    Holds,
    Role,
    Track,
    charging,
    daily_pattern,
    export_limit,
    exporting,
    house_load,
    island,
    role_and_sign,
)
from busprobe.model.finding import Severity

WHEEL = Generator("wheel", 5500.0)
ROOF = Generator("roof", 6000.0, curtailable=True)


def codes(answer: Answer) -> list[str]:
    return [f.code for f in answer.findings]


# Ratings --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("coupling", "holds", "told"),
    [
        (Coupling(()), Holds.NOT_APPLICABLE, []),
        (Coupling((ROOF,)), Holds.NOT_APPLICABLE, []),
        (Coupling((ROOF,), 8000, runs_island=True), Holds.YES, []),
        (Coupling((ROOF,), 6000, runs_island=True), Holds.YES, []),
        (Coupling((ROOF,), None, runs_island=True), Holds.UNDECIDED, []),
        (Coupling((ROOF,), 5000, runs_island=True), Holds.NO, ["generator-exceeds-inverter"]),
        (Coupling((WHEEL,), 8000, runs_island=True), Holds.NO, ["generator-not-curtailable"]),
        (
            Coupling((WHEEL, ROOF), 8000, runs_island=True),
            Holds.NO,
            ["generator-not-curtailable", "generator-exceeds-inverter"],
        ),
    ],
)
def test_island(coupling: Coupling, holds: Holds, told: list[str]) -> None:
    answer = island(coupling)
    assert (answer.holds, codes(answer)) == (holds, told)


@pytest.mark.parametrize(
    ("coupling", "holds", "told"),
    [
        (Coupling(()), Holds.NOT_APPLICABLE, []),
        (Coupling((WHEEL,)), Holds.NOT_APPLICABLE, []),
        (Coupling((WHEEL,), export_w=6000), Holds.YES, []),
        (Coupling((WHEEL,), export_w=5500), Holds.YES, []),
        (Coupling((WHEEL,), export_w=5000), Holds.NO, ["export-limit-unreachable"]),
        (Coupling((WHEEL,), export_w=0), Holds.NO, ["export-limit-unreachable"]),
        # What can be cut back can be kept below the limit, if its control works.
        (Coupling((ROOF,), export_w=0), Holds.UNDECIDED, ["export-limit-by-control"]),
        (Coupling((WHEEL, ROOF), export_w=6000), Holds.UNDECIDED, ["export-limit-by-control"]),
        (Coupling((WHEEL, ROOF), export_w=5000), Holds.NO, ["export-limit-unreachable"]),
        (Coupling((WHEEL, ROOF), export_w=12_000), Holds.YES, []),
    ],
)
def test_exporting(coupling: Coupling, holds: Holds, told: list[str]) -> None:
    answer = exporting(coupling)
    assert (answer.holds, codes(answer)) == (holds, told)


@pytest.mark.parametrize(
    ("coupling", "holds", "told"),
    [
        (Coupling((WHEEL,)), Holds.UNDECIDED, []),
        (Coupling((WHEEL,), 8000, 6000), Holds.YES, []),
        (Coupling((WHEEL,), 8000, 5000), Holds.YES, ["charge-limit-below-generator"]),
        (Coupling((WHEEL,), 8000, 9000), Holds.NO, ["charge-limit-above-inverter"]),
        (Coupling((WHEEL,), None, 9000), Holds.YES, []),
        # Without a charging power the rating of the inverter is the bound.
        (Coupling((WHEEL,), 8000), Holds.YES, []),
        (Coupling((WHEEL,), 5000), Holds.YES, ["charge-limit-below-generator"]),
    ],
)
def test_charging(coupling: Coupling, holds: Holds, told: list[str]) -> None:
    answer = charging(coupling)
    assert (answer.holds, codes(answer)) == (holds, told)


def test_the_surplus_is_told_with_its_size_and_its_way() -> None:
    (told,) = charging(Coupling((WHEEL, ROOF), 8000, 5000, export_w=4000)).findings
    assert "up to 6.5 kW, goes to the grid, of which 4 kW may be fed in" in told.cause
    assert "up to 5.5 kW go to the grid" in exporting(Coupling((WHEEL,))).text


@given(
    st.lists(st.tuples(st.floats(1, 1e5), st.booleans()), min_size=1, max_size=6),
    st.floats(0, 1e6),
)
def test_a_limit_that_holds_goes_on_holding_when_it_is_raised(
    ratings: list[tuple[float, bool]], limit: float
) -> None:
    order = [Holds.NO, Holds.UNDECIDED, Holds.YES]
    generators = tuple(Generator(f"g{n}", w, c) for n, (w, c) in enumerate(ratings))
    here = exporting(Coupling(generators, export_w=limit)).holds
    higher = exporting(Coupling(generators, export_w=limit * 1.5 + 1)).holds
    assert order.index(higher) >= order.index(here)


def test_faults_carry_a_caution_wherever_hands_come_near_mains() -> None:
    for code, entry in words.ENTRIES.items():
        assert entry.remedy, code
        if any(part in entry.remedy for part in ("CT", "cable", "wiring", "contactor")):
            assert entry.caution, code
        if entry.severity is Severity.NOTE:
            assert entry.caution is None, code


# Roles ----------------------------------------------------------------------------------------


def track(power: list[float], role: Role = Role.GENERATION, **more: object) -> Track:
    times = tuple(float(n) for n in range(len(power)))
    return replace(
        Track("meter", 2, role, times, tuple(power), sign_known=True, rated_w=6000.0),
        **more,  # type: ignore[arg-type]
    )


def test_a_generator_that_exports_fits_its_role() -> None:
    assert role_and_sign(track([-3000.0] * 10)).holds is Holds.YES


def test_a_generator_that_imports_contradicts_its_role() -> None:
    answer = role_and_sign(track([3000.0] * 10))
    assert codes(answer) == ["role-contradicts-sign"]
    assert answer.findings[0].caution
    assert answer.findings[0].address == 2


@pytest.mark.parametrize("power", [-150.0, 0.0, 100.0, 179.0])
def test_a_generator_that_stands_still_decides_nothing(power: float) -> None:
    # 3 % of 6 kW are 180 W: what the control and a pump may draw.
    assert role_and_sign(track([power] * 10)).holds is Holds.UNDECIDED


def test_a_load_that_exports_contradicts_its_role() -> None:
    assert role_and_sign(track([800.0] * 10, Role.CONSUMPTION)).holds is Holds.YES
    answer = role_and_sign(track([-800.0] * 10, Role.CONSUMPTION))
    assert codes(answer) == ["role-contradicts-sign"]


@pytest.mark.parametrize("role", [Role.GRID, Role.STORAGE])
def test_where_power_flows_both_ways_there_is_nothing_to_judge(role: Role) -> None:
    assert role_and_sign(track([3000.0] * 10, role)).holds is Holds.NOT_APPLICABLE


def test_without_a_known_sign_only_the_counters_speak() -> None:
    unknown = track([3000.0] * 10, sign_known=False)
    assert role_and_sign(unknown).holds is Holds.UNDECIDED
    wrong = replace(unknown, imported_wh=900_000.0, exported_wh=2_000.0)
    assert codes(role_and_sign(wrong)) == ["role-contradicts-sign"]
    right = replace(unknown, imported_wh=2_000.0, exported_wh=900_000.0)
    assert role_and_sign(right).holds is Holds.YES
    young = replace(unknown, imported_wh=900.0, exported_wh=2.0)
    assert role_and_sign(young).holds is Holds.UNDECIDED
    balanced = replace(unknown, imported_wh=900_000.0, exported_wh=800_000.0)
    assert role_and_sign(balanced).holds is Holds.UNDECIDED


def test_power_and_counters_that_contradict_each_other_decide_nothing() -> None:
    turned = track([-3000.0] * 10, imported_wh=900_000.0, exported_wh=2_000.0)
    assert role_and_sign(turned).holds is Holds.UNDECIDED


@given(st.lists(st.floats(-20_000, 20_000), max_size=40), st.booleans())
def test_turning_a_meter_turns_the_verdict(power: list[float], known: bool) -> None:
    here = role_and_sign(track(power, sign_known=known))
    there = role_and_sign(track([-p for p in power], sign_known=known))
    opposite = {Holds.YES: Holds.NO, Holds.NO: Holds.YES}
    assert there.holds is opposite.get(here.holds, here.holds)


# The day --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power", "hour", "holds"),
    [
        (-3000.0, 12.5, Holds.YES),
        (3000.0, 12.5, Holds.NO),
        (-3000.0, 0.5, Holds.NO),
        (3000.0, 23.5, Holds.NO),
        (-5.0, 1.0, Holds.YES),
        (-5.0, 12.5, Holds.UNDECIDED),
        (3000.0, 18.0, Holds.UNDECIDED),
        (-3000.0, 5.0, Holds.UNDECIDED),
    ],
)
def test_daily_pattern(power: float, hour: float, holds: Holds) -> None:
    answer = daily_pattern(track([power] * 10, hours=(hour,) * 10))
    assert answer.holds is holds
    assert codes(answer) == (["role-contradicts-day"] if holds is Holds.NO else [])


def test_without_the_time_of_day_the_pattern_is_undecided() -> None:
    assert daily_pattern(track([-3000.0] * 10)).holds is Holds.UNDECIDED


# The limit, measured --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("power", "seconds", "holds"),
    [
        (-5000.0, 61, Holds.YES),
        (-5149.0, 61, Holds.YES),
        (-5200.0, 61, Holds.NO),
        (-9000.0, 30, Holds.UNDECIDED),
        (-1000.0, 61, Holds.UNDECIDED),
        (2000.0, 61, Holds.UNDECIDED),
    ],
)
def test_export_limit(power: float, seconds: int, holds: Holds) -> None:
    answer = export_limit(track([power] * seconds, Role.GRID), 5000.0)
    assert answer.holds is holds
    assert codes(answer) == (["export-limit-exceeded"] if holds is Holds.NO else [])


def test_an_export_limit_of_nothing() -> None:
    assert export_limit(track([400.0] * 61, Role.GRID), 0.0).holds is not Holds.NO
    assert export_limit(track([-400.0] * 61, Role.GRID), 0.0).holds is Holds.NO


# The house ------------------------------------------------------------------------------------


def meters(grid: float, *sources: float) -> tuple[Track, list[Track]]:
    return (
        track([grid] * 20, Role.GRID, name="grid", address=1),
        [track([w] * 20, name=f"source {n}") for n, w in enumerate(sources)],
    )


def test_a_house_that_draws_power_is_right() -> None:
    # 2 kW exported while 3 kW are generated: the house draws 1 kW.
    grid, sources = meters(-2000.0, -3000.0)
    answer = house_load(grid, sources)
    assert answer.holds is Holds.YES
    assert "1 kW" in answer.text


def test_a_negative_house_names_the_meters_that_would_explain_it() -> None:
    grid, sources = meters(-2000.0, 3000.0)
    answer = house_load(grid, sources)
    assert codes(answer) == ["house-load-negative"]
    assert "if source 0 counted the other way" in answer.findings[0].cause
    # A grid meter that counts the wrong way: really 4 kW are drawn.
    grid, sources = meters(-4000.0, -3000.0)
    assert "if grid counted the other way" in house_load(grid, sources).findings[0].cause


def test_an_unmetered_source_explains_a_negative_house() -> None:
    grid, _ = meters(-2000.0)
    assert house_load(grid, [], ["roof"]).holds is Holds.UNDECIDED
    assert house_load(grid, []).holds is Holds.NO


def test_the_house_is_undecided_without_signs_or_readings() -> None:
    grid, sources = meters(-2000.0, -3000.0)
    unknown = [replace(sources[0], sign_known=False)]
    assert house_load(grid, unknown).holds is Holds.UNDECIDED
    few = replace(grid, p_w=grid.p_w[:5], t_s=grid.t_s[:5])
    assert house_load(few, sources).holds is Holds.UNDECIDED


@given(
    house=st.floats(0, 20_000),
    given_w=st.lists(st.floats(0, 20_000), max_size=3),
)
def test_right_meters_never_make_a_negative_house(house: float, given_w: list[float]) -> None:
    grid, sources = meters(house - sum(given_w), *(-w for w in given_w))
    assert house_load(grid, sources).holds is Holds.YES
