"""`busprobe train`: exercises on simulated faulty buses, graded."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import click

from busprobe.cli import diagnostics
from busprobe.cli.call import Call, guarded, outside
from busprobe.cli.hands import console_is_there
from busprobe.cli.options import json_option
from busprobe.cli.simulate import serve_in_real_time
from busprobe.cli.train_words import print_assignment, print_exercises, print_grade
from busprobe.model.errors import InputError
from busprobe.session.trainee import default_file, export_answers, load_logbook
from busprobe.session.training import Explanation, Graded, TrainingDesk

_FILE = click.Path(path_type=Path, dir_okay=False)


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

    Without anything, at a terminal, the exercises open in the terminal interface.

    EXERCISE is the name of a shipped exercise, NAME@SEED, or a YAML file. The command tells the
    story and a LINK for the other commands; state what you found with --answer, as codes of
    findings with address and inputs. Several things may lie behind each story: only the bus tells.
    """
    call = Call.begin("train", as_json)

    def run() -> int:
        if len(states) > 1 and export is None:
            raise InputError("Several --state files were given.", "Only --export takes several.")
        if export is not None:
            return _export(export, states, trainee)
        name = exercise
        if draw:
            if exercise is not None:
                raise InputError("--random draws the exercise itself.", "Leave the name out.")
            name = f"random-{level or 1}"
        elif level is not None:
            raise InputError("--level goes with --random.", "Write --random --level 3.")
        state = states[0] if states else default_file()
        there = outside(ctx)
        desk = TrainingDesk(there.training(), there.open_link, state, trainee)
        if list_them:
            print_exercises(call, desk.list())
            return diagnostics.ExitStatus.CLEAN
        plain = not (as_json or answer or recordings or hint or serve)
        if name is None and plain and console_is_there() and sys.stdout.isatty():
            return there.run_terminal(link=None, begin_training=True, state=state, trainee=trainee)
        if name is None:
            raise InputError("No exercise was named.", "Try 'busprobe train --list'.")
        now = datetime.now().astimezone()
        if answer is not None:
            graded = desk.answer(name, seed, answer, now=now, recordings=recordings)
            return _explain(call, desk, graded, () if no_evidence else recordings, no_evidence)
        if recordings:
            raise InputError("A recording is judged with an answer.", "Add --answer CAUSES.")
        begun = desk.begin(name, seed, now=now, hint=hint)
        print_assignment(call, begun)
        ways = (pty, tcp, rtu_tcp, rfc2217)
        if serve or pty or any(way is not None for way in ways[1:]):
            loaded = there.simulator().load_scenario(begun.assignment.reference)
            serve_in_real_time(ctx, loaded, ways, host, seconds)
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def _explain(
    call: Call,
    desk: TrainingDesk,
    graded: Graded,
    recordings: Sequence[Path],
    no_evidence: bool,
) -> int:
    explained = Explanation({}, {})
    if not no_evidence and not graded.grade.complete:
        diagnostics.say("Looking at the same bus once more, to show what was missed ...")
        explained = asyncio.run(desk.explain(graded, recordings))
    print_grade(call, graded, explained)
    status = diagnostics.ExitStatus
    return status.CLEAN if graded.grade.complete else status.FAULTS


def _export(file: Path, states: Sequence[Path], trainee: str | None) -> int:
    if trainee is not None and len(states) > 1:
        raise InputError(
            "--trainee names one trainee, and several --state files were given.",
            "Leave it out: each file holds the name of its own.",
        )
    books = [load_logbook(path) for path in states or (default_file(),)]
    for book in books:
        book.trainee = book.trainee if trainee is None else trainee
    diagnostics.say(f"{export_answers(file, books)} answers written.")
    return diagnostics.ExitStatus.CLEAN
