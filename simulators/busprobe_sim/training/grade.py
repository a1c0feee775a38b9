"""Grading: what was stated against what is true, and how the bus was treated meanwhile."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from busprobe_sim.training.answer import Claim
from busprobe_sim.training.conduct import Course, Disturbance, disturbances, time_points
from busprobe_sim.training.exercise import CausePart
from busprobe_sim.training.library import Assignment

FULL = 100.0
# A right thing repaired is a fault made. Dear enough that stating two causes, in the hope that one
# of them is true, does not pass.
WRONG_CLAIM = 45.0
# What a bus without a fault is worth when faults were stated all the same.
_HEALTHY_BUT_ACCUSED = 0.5
_NO_INPUTS, _WRONG_INPUTS, _WRONG_ADDRESS = 0.8, 0.5, 0.5
# Whoever leaves open what the evidence decides has done half of the work.
_LEFT_OPEN = 0.5
_WORDS = ((90.0, "excellent"), (75.0, "good"), (60.0, "passed"))
_AGAIN = "again"

CauseVerdict = Literal["found", "partly", "missed"]


@dataclass(frozen=True, slots=True)
class CauseGrade:
    """One true cause, and what the trainee made of it.

    Attributes:
        cause: The cause.
        verdict: "found", "partly" (address or inputs are missing or wrong) or "missed".
        share: Share of its points, 0..1.
        claim: What was stated of it, or None.
        comment: What was missing, or empty.
    """

    cause: CausePart
    verdict: CauseVerdict
    share: float
    claim: Claim | None
    comment: str


@dataclass(frozen=True, slots=True)
class Grade:
    """A graded answer.

    Attributes:
        causes: Every true cause.
        wrong: What was stated and is not so.
        conduct: What was not needed on the bus; empty when no recording was given.
        judged_conduct: Whether there was a recording to judge by.
        guessed: Whether it is known that the bus was not used at all: then nothing counts.
        bus_time_s: Bus time of all recordings [s].
        par_s: Bus time that is enough [s].
        cause_points: Points for causes, 0..100.
        wrong_points: Points off for what is not so.
        conduct_points: Points off for disturbance.
        time_points: Points off for bus time.
        hint_points: Points off for hints.
        score: What remains, 0..100.
        word: "excellent", "good", "passed" or "again".
    """

    causes: tuple[CauseGrade, ...]
    wrong: tuple[Claim, ...]
    conduct: tuple[Disturbance, ...]
    judged_conduct: bool
    guessed: bool
    bus_time_s: float
    par_s: float
    cause_points: float
    wrong_points: float
    conduct_points: float
    time_points: float
    hint_points: float
    score: float
    word: str

    @property
    def complete(self) -> bool:
        """Whether every cause was found and nothing wrong was stated."""
        return not self.wrong and all(c.verdict == "found" for c in self.causes)


def grade_answer(
    assignment: Assignment,
    claims: Sequence[Claim],
    courses: Sequence[Course] = (),
    hints: Sequence[int] = (),
    *,
    all_known: bool = False,
) -> Grade:
    """Grade an answer.

    Args:
        assignment: What was given.
        claims: What was stated.
        courses: What was done on the bus, as far as it was recorded.
        hints: Numbers of the hints that were taken, from 1.
        all_known: Whether `courses` is everything that was done: then none means a guess, and a
            guess is no diagnosis.
    """
    causes, wrong = _compare(assignment.case.truth, claims)
    exercise = assignment.exercise
    rules = exercise.conduct
    conduct = disturbances(courses, rules, master=assignment.has_master)
    bus_time_s = sum(course.duration_s for course in courses)
    if causes:
        share = sum(c.share for c in causes) / len(causes)
    else:
        share = _HEALTHY_BUT_ACCUSED if wrong else 1.0
    cause_points = FULL * share
    wrong_points = WRONG_CLAIM * len(wrong)
    conduct_points = sum(d.points for d in conduct)
    late = time_points(bus_time_s, rules.par_s)
    taken = [exercise.hints[n - 1].price for n in sorted(set(hints))]
    score = cause_points - wrong_points - conduct_points - late - sum(taken)
    guessed = all_known and not bus_time_s
    score = 0.0 if guessed else round(min(FULL, max(0.0, score)), 1)
    word = next((word for least, word in _WORDS if score >= least), _AGAIN)
    return Grade(
        causes,
        wrong,
        conduct,
        all_known or bool(courses),
        guessed,
        round(bus_time_s, 3),
        rules.par_s,
        round(cause_points, 1),
        wrong_points,
        round(conduct_points, 1),
        late,
        float(sum(taken)),
        score,
        word,
    )


def _compare(
    truth: Sequence[CausePart], claims: Sequence[Claim]
) -> tuple[tuple[CauseGrade, ...], tuple[Claim, ...]]:
    """Pair causes with claims, the best pairs first; a claim counts for one cause."""
    pairs = sorted(
        (
            (graded.share, -i, -j)
            for i, cause in enumerate(truth)
            for j, claim in enumerate(claims)
            if (graded := _judge(cause, claim)) is not None
        ),
        reverse=True,
    )
    paired: dict[int, int] = {}
    for _, i, j in pairs:
        if -i not in paired and -j not in paired.values():
            paired[-i] = -j
    grades = []
    for i, cause in enumerate(truth):
        graded = _judge(cause, claims[paired[i]]) if i in paired else None
        grades.append(graded or CauseGrade(cause, "missed", 0.0, None, "it was not stated"))
    used = set(paired.values())
    wrong = tuple(
        claim
        for j, claim in enumerate(claims)
        # What says the same of a cause in another word is not wrong.
        if j not in used and not any(_says(claim, cause) for cause in truth)
    )
    return tuple(grades), wrong


def _says(claim: Claim, cause: CausePart) -> bool:
    return any(
        _judge_one(cause, one) is not None and one.address == cause.address for one in claim.choices
    )


def _judge(cause: CausePart, claim: Claim) -> CauseGrade | None:
    """What a claim is worth for a cause; None where it means something else.

    A claim that leaves open what nobody can tell is worth as much as the cause itself; one that
    leaves open what the evidence decides is worth half.
    """
    choices = claim.choices
    if len(choices) == 1:
        return _judge_one(cause, claim)
    judged = [_judge_one(cause, one) for one in choices]
    fitting = [each for each in judged if each is not None]
    if not fitting:
        return None
    best = max(fitting, key=lambda each: each.share)
    if all(each is not None and each.share == best.share for each in judged):
        return CauseGrade(cause, best.verdict, best.share, claim, best.comment)
    comment = best.comment or "the evidence tells which of them it is"
    return CauseGrade(cause, "partly", best.share * _LEFT_OPEN, claim, comment)


def _judge_one(cause: CausePart, claim: Claim) -> CauseGrade | None:
    if claim.code != cause.code and claim.code not in cause.accept:
        return None
    if claim.address != cause.address:
        comment = (
            f"it concerns address {cause.address}"
            if cause.address is not None
            else "it concerns the line, no single address"
        )
        return CauseGrade(cause, "partly", _WRONG_ADDRESS, claim, comment)
    if cause.inputs and claim.code == cause.code and claim.inputs != frozenset(cause.inputs):
        inputs = " and ".join(cause.inputs)
        share = _WRONG_INPUTS if claim.inputs else _NO_INPUTS
        return CauseGrade(cause, "partly", share, claim, f"it concerns input {inputs}")
    return CauseGrade(cause, "found", 1.0, claim, "")
