"""`busprobe train`: exercises on simulated faulty buses, graded."""

from __future__ import annotations

import asyncio
import csv
import json
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from busprobe.cli import diagnostics
from busprobe.cli.call import Call, guarded, outside
from busprobe.cli.documents_training import ExercisePart, TrainResult
from busprobe.cli.options import json_option
from busprobe.cli.train_evidence import courses_of, show_by_evidence
from busprobe.cli.train_words import (
    assignment_part,
    grade_part,
    print_assignment,
    print_exercises,
    print_grade,
)
from busprobe.model.errors import InputError
from busprobe.session import trainee

# Seeds are short enough to be read out in a class.
_SEEDS = 10_000
_FILE = click.Path(path_type=Path, dir_okay=False)


@dataclass(frozen=True, slots=True)
class _Request:
    """What was asked of the command."""

    call: Call
    training: Any
    name: str | None
    seed: int | None
    state: Path
    trainee: str | None

    @property
    def now(self) -> datetime:
        return datetime.now().astimezone()


@click.command("train")
@click.argument("exercise", required=False, metavar="[EXERCISE]")
@click.option("--list", "list_them", is_flag=True, help="List the exercises that are shipped.")
@click.option("--random", "draw", is_flag=True, help="Draw an exercise by --level and --seed.")
@click.option("--level", type=click.IntRange(1, 5), help="Of a drawn exercise; 1 is easy.")
@click.option("--seed", type=click.IntRange(0, 999_999_999), help="Which case of it; else by lot.")
@click.option("--answer", metavar="CAUSES", help='"duplicate-address@1, ct-reversed@2/L3" or none.')
@click.option(
    "--recording",
    "recordings",
    multiple=True,
    type=_FILE,
    help="What was done on the bus (--record of the other commands); may be repeated.",
)
@click.option("--no-evidence", is_flag=True, help="Do not show what was missed by evidence.")
@click.option("--hint", type=click.IntRange(1), metavar="N", help="Take hint N, at its price.")
@click.option("--serve", is_flag=True, help="Serve its bus in real time, also to other programs.")
@click.option("--pty", is_flag=True, help="Serve on a pseudo terminal (Linux, macOS).")
@click.option("--tcp", type=click.IntRange(0, 65535), help="Serve Modbus TCP; 0 takes a free port.")
@click.option("--rtu-tcp", type=click.IntRange(0, 65535), help="Serve RTU over TCP.")
@click.option("--rfc2217", type=click.IntRange(0, 65535), help="Serve a remote serial port.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--seconds", type=click.FloatRange(0.1), help="Stop serving after so long.")
@click.option("--export", type=_FILE, help="Write all answers as .csv or .json.")
@click.option(
    "--state",
    "states",
    multiple=True,
    type=_FILE,
    help="The trainee's file; several for an export. Default: in the user's data folder.",
)
@click.option("--trainee", help="Name of the trainee, for the export.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    exercise: str | None,
    list_them: bool,
    draw: bool,
    level: int | None,
    seed: int | None,
    answer: str | None,
    recordings: tuple[Path, ...],
    no_evidence: bool,
    hint: int | None,
    serve: bool,
    pty: bool,
    tcp: int | None,
    rtu_tcp: int | None,
    rfc2217: int | None,
    host: str,
    seconds: float | None,
    export: Path | None,
    states: tuple[Path, ...],
    trainee: str | None,
    as_json: bool,
) -> None:
    """Practise on simulated faulty buses: find the causes, state them, be graded.

    EXERCISE is the name of a shipped exercise, NAME@SEED, or a YAML file. The command tells the
    story and a LINK for the other commands; state what you found with --answer, as codes of
    findings with address and inputs. Several things may lie behind each story: only the bus tells.
    """
    call = Call.begin("train", as_json)

    def run() -> int:
        if len(states) > 1 and export is None:
            raise InputError("Several --state files were given.", "Only --export takes several.")
        if export is not None:
            return _export(export, states)
        training: Any = outside(ctx).training()
        name = exercise
        if draw:
            if exercise is not None:
                raise InputError("--random draws the exercise itself.", "Leave the name out.")
            name = f"random-{level or 1}"
        elif level is not None:
            raise InputError("--level goes with --random.", "Write --random --level 3.")
        state = states[0] if states else _default_state()
        request = _Request(call, training, name, seed, state, trainee)
        if list_them:
            return _list(request)
        if name is None:
            raise InputError("No exercise was named.", "Try 'busprobe train --list'.")
        if answer is not None:
            return _answer(ctx, request, answer, recordings, not no_evidence)
        if recordings:
            raise InputError("A recording is judged with an answer.", "Add --answer CAUSES.")
        ways = (pty, tcp, rtu_tcp, rfc2217)
        served = serve or any(way not in (False, None) for way in ways)
        _assign(request, hint)
        if served:
            return _serve(ctx, request, ways, host, seconds)
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def _default_state() -> Path:
    return trainee.default_file()


def _list(request: _Request) -> int:
    book = trainee.load_logbook(request.state)
    parts = [
        ExercisePart(
            name=e.name,
            title=e.title,
            level=e.level,
            story=e.story,
            cases=e.cases,
            best=book.best(e.name),
        )
        for e in request.training.list_exercises()
    ]
    print_exercises(request.call, TrainResult(exercises=parts, assignment=None, grade=None))
    return diagnostics.ExitStatus.CLEAN


def _find(request: _Request, book: trainee.Logbook, *, answering: bool) -> tuple[Any, Any]:
    """The assignment and the attempt that the call means; begun now if there is none."""
    assert request.name is not None
    name, seed, words = request.training.split_reference(request.name)
    if words:
        raise InputError(
            f"'+{words[0]}' belongs to the link, not to the exercise.", f"Write {name}@{seed}."
        )
    if seed is not None and request.seed not in (None, seed):
        raise InputError("Two seeds were given.", f"Write {name}@{request.seed}.")
    seed = request.seed if seed is None else seed
    if seed is None:
        attempt = book.open_attempt(name) or (book.latest(name) if answering else None)
        if attempt is None and answering:
            raise InputError(
                f"'{name}' was not begun, so nobody knows which case of it this answers.",
                f"Begin it with 'busprobe train {name}', or write {name}@SEED.",
            )
        seed = attempt.seed if attempt is not None else 1 + secrets.randbelow(_SEEDS)
    assignment = request.training.assign(name, seed)
    attempt = book.attempt(
        name, seed, assignment.exercise.title, assignment.exercise.level, request.now
    )
    if request.trainee is not None:
        book.trainee = request.trainee
    return assignment, attempt


def _assign(request: _Request, hint: int | None) -> None:
    book = trainee.load_logbook(request.state)
    assignment, attempt = _find(request, book, answering=False)
    if hint is not None:
        count = len(assignment.exercise.hints)
        if hint > count:
            raise InputError(
                f"This exercise has {count} hint{'' if count == 1 else 's'}.",
                "Take a lower number." if count else "Find it without one.",
            )
        attempt.hints = sorted({*attempt.hints, hint})
    trainee.save_logbook(request.state, book)
    part = assignment_part(assignment, attempt)
    print_assignment(request.call, TrainResult(exercises=[], assignment=part, grade=None))


def _answer(
    ctx: click.Context,
    request: _Request,
    text: str,
    recordings: Sequence[Path],
    with_evidence: bool,
) -> int:
    training = request.training
    book = trainee.load_logbook(request.state)
    assignment, attempt = _find(request, book, answering=True)
    claims = training.parse_answer(text)
    _known_codes(claims)
    courses = courses_of(recordings, assignment, training)
    grade = training.grade_answer(assignment, claims, courses, attempt.hints)
    counts = not attempt.answers
    attempt.answers.append(
        trainee.Answer(
            at=request.now.isoformat("T", "seconds"),
            text=", ".join(str(c) for c in claims) or "none",
            score=grade.score,
            word=grade.word,
            found=sum(c.verdict == "found" for c in grade.causes),
            causes=len(grade.causes),
            wrong=len(grade.wrong),
            bus_time_s=grade.bus_time_s,
            conduct_points=grade.conduct_points,
            hint_points=grade.hint_points,
        )
    )
    trainee.save_logbook(request.state, book)
    shown: dict[int, Any] = {}
    if with_evidence and any(c.verdict != "found" for c in grade.causes):
        diagnostics.say("Looking at the same bus once more, to show what was missed ...")
        work = show_by_evidence(outside(ctx).open_link, assignment, grade.causes, recordings)
        shown = asyncio.run(work)
    result = TrainResult(
        exercises=[],
        assignment=assignment_part(assignment, attempt),
        grade=grade_part(grade, shown, counts),
    )
    print_grade(request.call, result)
    status = diagnostics.ExitStatus
    return status.CLEAN if grade.complete else status.FAULTS


def _known_codes(claims: Sequence[Any]) -> None:
    from difflib import get_close_matches

    from busprobe.diagnosis.catalogue.build import CATALOGUE

    for claim in claims:
        if claim.code not in CATALOGUE:
            near = get_close_matches(claim.code, CATALOGUE, n=3, cutoff=0.4)
            hint = f"Did you mean {' or '.join(near)}?" if near else "See docs/training.md."
            raise InputError(f"'{claim.code}' is no code of a finding.", hint)


def _serve(
    ctx: click.Context,
    request: _Request,
    ways: tuple[bool, int | None, int | None, int | None],
    host: str,
    seconds: float | None,
) -> int:
    from busprobe.cli.simulate import serve_in_real_time

    book = trainee.load_logbook(request.state)
    assignment, _ = _find(request, book, answering=False)
    loaded = outside(ctx).simulator().load_scenario(assignment.reference)
    serve_in_real_time(ctx, loaded, ways, host, seconds)
    return diagnostics.ExitStatus.CLEAN


def _export(file: Path, states: Sequence[Path]) -> int:
    books = [trainee.load_logbook(path) for path in states or (_default_state(),)]
    rows = list(trainee.rows(books))
    try:
        if file.suffix.lower() == ".json":
            document = {"format": trainee.FORMAT, "answers": rows}
            file.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
        elif file.suffix.lower() == ".csv":
            with file.open("w", encoding="utf-8", newline="") as out:
                writer = csv.DictWriter(out, trainee.COLUMNS)
                writer.writeheader()
                writer.writerows({k: _cell(v) for k, v in row.items()} for row in rows)
        else:
            raise InputError("An export is .csv or .json.", "Name the file so.")
    except OSError as error:
        raise InputError(
            f"The export cannot be written: {error.strerror}.", "Choose another folder."
        ) from error
    diagnostics.say(f"{len(rows)} answers written.")
    return diagnostics.ExitStatus.CLEAN


def _cell(value: str | int | float) -> str | int | float:
    """A text that a spreadsheet would take for a formula is marked as text."""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + value
    return value
