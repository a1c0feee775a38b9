"""Exercises and grades as documents and in words."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from busprobe.cli import output, words
from busprobe.cli.call import Call
from busprobe.cli.documents_base import SettingsPart
from busprobe.cli.documents_training import (
    AssignmentPart,
    ClaimPart,
    DisturbancePart,
    ExercisePart,
    GradePart,
    PlannedPart,
    ShownPart,
    TrainResult,
    TrueCausePart,
)
from busprobe.session.training import Begun, Explanation, Graded, Shown, planned_settings

_SIGNS = {"found": "+", "partly": "~", "missed": "-"}


def assignment_part(begun: Begun) -> AssignmentPart:
    """What a trainee is given; nothing of the truth."""
    assignment = begun.assignment
    exercise = assignment.exercise
    settings = planned_settings(assignment)

    def link(planned: Any) -> str:
        place = assignment.place_of(planned)
        return f"{assignment.link}+{place}" if place else str(assignment.link)

    return AssignmentPart(
        exercise=assignment.name,
        seed=assignment.seed,
        link=assignment.link,
        title=exercise.title,
        level=exercise.level,
        story=" ".join(exercise.story.split()),
        settings=SettingsPart.model_validate(
            {
                "baud": settings.baud,
                "parity": settings.parity.value,
                "stop_bits": settings.stop_bits,
            }
        ),
        plan=[
            PlannedPart(
                name=p.name,
                address=p.address,
                meter=p.meter,
                link=link(p),
                role=p.role,
                note=p.note,
            )
            for p in exercise.plan
        ],
        hint_prices=[h.price for h in exercise.hints],
        hints=[exercise.hints[n - 1].text for n in begun.attempt.hints],
    )


def grade_part(graded: Graded, explained: Explanation) -> GradePart:
    """A grade as a document."""
    grade = graded.grade
    return GradePart(
        score=grade.score,
        word=grade.word,
        complete=grade.complete,
        counts=graded.counts,
        causes=[
            TrueCausePart(
                code=c.cause.code,
                address=c.cause.address,
                inputs=list(c.cause.inputs),
                text=c.cause.text,
                verdict=c.verdict,
                share=c.share,
                claim=None if c.claim is None else _claim(c.claim),
                comment=c.comment,
                shown=_shown(explained.missed.get(number)),
            )
            for number, c in enumerate(grade.causes)
        ],
        wrong=[_claim(c) for c in grade.wrong],
        against=[_shown(explained.against.get(n)) for n in range(len(grade.wrong))],
        conduct=[
            DisturbancePart(kind=d.kind, count=d.count, points=d.points, text=d.text)
            for d in grade.conduct
        ],
        judged_conduct=grade.judged_conduct,
        guessed=grade.guessed,
        bus_time_s=grade.bus_time_s,
        par_s=grade.par_s,
        cause_points=grade.cause_points,
        wrong_points=grade.wrong_points,
        conduct_points=grade.conduct_points,
        time_points=grade.time_points,
        hint_points=grade.hint_points,
    )


def _shown(shown: Shown | None) -> ShownPart | None:
    if shown is None:
        return None
    return ShownPart(
        command=shown.command,
        summary=shown.finding.summary,
        cause=shown.finding.cause,
        evidence=list(shown.evidence),
        in_recording=shown.in_recording,
    )


def _claim(claim: Any) -> ClaimPart:
    return ClaimPart(
        code=claim.code,
        address=claim.address,
        inputs=sorted(claim.inputs),
        others=[_claim(other) for other in claim.others],
    )


def _say(text: str, indent: str = "") -> None:
    for line in textwrap.wrap(text, words.width(), initial_indent=indent, subsequent_indent=indent):
        output.line(line)


def print_exercises(call: Call, exercises: Sequence[tuple[Any, float | None]]) -> None:
    """The list of exercises, with the best score of each."""
    parts = [
        ExercisePart(
            name=e.name, title=e.title, level=e.level, story=e.story, cases=e.cases, best=best
        )
        for e, best in exercises
    ]
    result = TrainResult(exercises=parts, assignment=None, grade=None)
    if call.as_json:
        output.document(call.document(result))
        return
    words.table(
        ("level", "exercise", "best", "what it is about"),
        [
            (str(e.level), e.name, "" if e.best is None else f"{e.best:.0f}", e.title)
            for e in result.exercises
        ],
        right=(0, 2),
    )
    output.line()
    output.line("Begin one with: busprobe train NAME")


def print_assignment(call: Call, begun: Begun) -> None:
    """The story, the plan, and how to go on."""
    part = assignment_part(begun)
    if call.as_json:
        output.document(call.document(TrainResult(exercises=[], assignment=part, grade=None)))
        return
    output.line(f"{part.title}  (level {part.level})")
    output.line()
    _say(part.story)
    output.line()
    settings = part.settings
    output.line(f"The papers ({settings.baud} 8{settings.parity}{settings.stop_bits}):")
    words.table(
        ("address", "device", "measures", "note"),
        [(str(p.address), p.name, p.role, p.note) for p in part.plan],
        right=(0,),
    )
    output.line()
    for number, price in enumerate(part.hint_prices, 1):
        taken = f"--hint {number} costs {price:.0f} points"
        output.line(f"Hint: {taken}")
    for hint in part.hints:
        _say(f"> {hint}")
    output.line()
    name = f"{part.exercise}@{part.seed}"
    output.line("Work on it with the usual commands, and record what you do:")
    calls = [f"listen {part.link}", f"scan {part.link}"]
    for planned in part.plan:
        if planned.meter:
            calls.append(f"wiring {planned.link} {planned.address} --load 2000")
    if any(p.role == "grid" for p in part.plan):
        options = {"load": "consumer"}
        meters = " ".join(
            f"--{options.get(p.role, p.role)} {p.address}" for p in part.plan if p.role
        )
        calls.append(f"balance {part.link} {meters} --curtail")
    for number, said in enumerate(calls, 1):
        output.line(f"  busprobe {said} --record {number}.busprobe")
    output.line("(add +alone to the link to have another master unplugged)")
    output.line("State what you found:")
    output.line(f'  busprobe train {name} --answer "CODE@ADDRESS, ..." --recording 1.busprobe ...')


def print_grade(call: Call, graded: Graded, explained: Explanation) -> None:
    """A grade, and what was missed by evidence."""
    grade = grade_part(graded, explained)
    if call.as_json:
        part = assignment_part(graded.begun)
        output.document(call.document(TrainResult(exercises=[], assignment=part, grade=grade)))
        return
    if not grade.causes:
        output.line("Nothing was wrong on this bus.")
    for cause in grade.causes:
        _print_cause(cause)
    for claim, against in zip(grade.wrong, grade.against, strict=True):
        output.line(f"x not so: {_named(claim)}")
        _print_shown(against)
    for each in grade.conduct:
        _say(f"! {each.text} ({each.points:g} points)")
    if not grade.judged_conduct:
        output.line("How the bus was treated is not judged: no recording was given.")
    output.line()
    output.line(f"Causes                {grade.cause_points:6.1f}")
    for name, points in (
        ("what is not so", grade.wrong_points),
        ("needless disturbance", grade.conduct_points),
        (f"time {grade.bus_time_s:.0f} of {grade.par_s:.0f} s", grade.time_points),
        ("hints", grade.hint_points),
    ):
        if points:
            output.line(f"{name:<22}{-points:6.1f}")
    again = "" if grade.counts else " (not the first answer: practice)"
    output.line(f"Score                 {grade.score:6.1f}  {grade.word}{again}")


def _named(claim: ClaimPart) -> str:
    where = "" if claim.address is None else f"@{claim.address}"
    inputs = f"/{'+'.join(claim.inputs)}" if claim.inputs else ""
    return "|".join((claim.code + where + inputs, *map(_named, claim.others)))


def _print_cause(cause: TrueCausePart) -> None:
    claim = ClaimPart(code=cause.code, address=cause.address, inputs=cause.inputs, others=[])
    output.line(f"{_SIGNS[cause.verdict]} {cause.verdict}: {_named(claim)}")
    _say(cause.text, "    ")
    if cause.claim is not None and cause.comment:
        _say(f"You stated {_named(cause.claim)}; {cause.comment}.", "    ")
    _print_shown(cause.shown)


def _print_shown(shown: ShownPart | None) -> None:
    if shown is None:
        return
    if shown.in_recording is not None:
        _say(f"Your own recording {shown.in_recording} holds it.", "    ")
    _say(f"{shown.command} says: {shown.summary}", "    ")
    _say(shown.cause, "    ")
    for text in shown.evidence:
        _say(text, "      ")
