"""Exercises drawn by level and seed: repeatable, consistent, and of the level they say."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.catalogue import CATALOGUE
from busprobe_sim.training.draw import draw_exercise
from busprobe_sim.training.exercise import build_scenario, truth_key

FAULTS = {1: {1}, 2: {1}, 3: {2}, 4: {2, 3}, 5: {3}}


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 5), st.integers(0, 999_999_999))
def test_what_is_drawn_holds_together(level: int, seed: int) -> None:
    exercise = draw_exercise(level, seed)
    assert draw_exercise(level, seed) == exercise
    case = exercise.cases[0]
    assert len(case.truth) in FAULTS[level]
    codes = [c.code for c in case.truth]
    assert set(codes) <= set(CATALOGUE)
    scenario = build_scenario(exercise, case)
    by_address: dict[int, list[str]] = {}
    for device in scenario.devices:
        by_address.setdefault(device.address, []).append(device.name)
    shared = {address for address, names in by_address.items() if len(names) > 1}
    told = {c.address for c in case.truth if c.code == "duplicate-address"}
    # Whoever shares an address is told, and nobody else.
    assert shared == told
    # The wiring of a meter that shares its address cannot be proved: it is never wrong there.
    wrong = {c.address for c in case.truth if c.code.startswith("ct")}
    assert not shared & wrong
    # Which of two missing meters is dead and which is elsewhere could not be told.
    assert not {"device-silent", "duplicate-address"} <= set(codes)


@pytest.mark.parametrize("level", [1, 2, 3, 4, 5])
def test_one_story_has_many_truths(level: int) -> None:
    drawn: dict[str, set[object]] = {}
    for seed in range(150):
        exercise = draw_exercise(level, seed)
        drawn.setdefault(exercise.story, set()).add(truth_key(exercise.cases[0].truth))
    assert all(len(truths) > 1 for truths in drawn.values())
    assert len(drawn) > 8


def test_some_exercises_of_the_middle_levels_are_about_energy() -> None:
    shares = {}
    for level in (1, 2, 3, 4, 5):
        drawn = [draw_exercise(level, seed) for seed in range(60)]
        about = [e for e in drawn if any(c.code.startswith("balance") for c in e.cases[0].truth)]
        shares[level] = len(about)
        for exercise in about:
            roles = {p.name: p.role for p in exercise.plan}
            assert set(roles.values()) == {"grid", "generator", "load", "hybrid"}
            # A source's CTs cannot be proved with a heater.
            assert not any(p.meter for p in exercise.plan if p.role in ("generator", "hybrid"))
            others = {c.code for c in exercise.cases[0].truth} - {"balance-meter-reversed"}
            assert others <= {"echo-heard", "ct-reversed"}
        rest = [e for e in drawn if e not in about]
        assert not any(p.role for e in rest for p in e.plan)
    assert shares[1] == shares[2] == shares[5] == 0
    assert all(5 <= shares[level] <= 40 for level in (3, 4))
