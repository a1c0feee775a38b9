"""Every exercise, solved from its bus alone by the public diagnosis."""

from __future__ import annotations

import pytest

from busprobe_sim.training import assign, exercise_names, grade_answer, seed_for
from busprobe_sim.training.library import read_exercise
from training.solver import claims_of, solve

CASES = [(name, case.name) for name in exercise_names() for case in read_exercise(name).cases]


@pytest.mark.parametrize(("name", "case"), CASES)
def test_the_diagnosis_finds_every_cause_and_invents_none(name: str, case: str) -> None:
    assignment = assign(name, seed_for(name, case))
    assert assignment.case.name == case
    done = solve(assignment)
    grade = grade_answer(assignment, claims_of(done))
    open_at = {t.finding.address for t in done.told if t.open_question}
    for graded in grade.causes:
        # Right, or the ambiguity is named where it lies.
        assert graded.verdict == "found" or graded.cause.address in open_at, graded
    assert not grade.wrong
    assert done.bus_time_s <= assignment.exercise.conduct.par_s


@pytest.mark.parametrize("level", [1, 2, 3, 4, 5])
def test_drawn_exercises_are_solved_too(level: int) -> None:
    for seed in (11, 12):
        assignment = assign(f"random-{level}", seed)
        grade = grade_answer(assignment, claims_of(solve(assignment)))
        assert grade.complete, (seed, grade.causes, grade.wrong)


@pytest.mark.parametrize(("level", "seed"), [(3, 6), (4, 8)])
def test_drawn_exercises_about_energy_are_solved(level: int, seed: int) -> None:
    assignment = assign(f"random-{level}", seed)
    assert "balance-meter-reversed" in {c.code for c in assignment.case.truth}
    grade = grade_answer(assignment, claims_of(solve(assignment)))
    assert grade.complete, (grade.causes, grade.wrong)
