"""What the commands take, the screens take too: every option has its place, or a reason.

The table is read by people: whoever adds an option to a command writes here where it is at the
screen, or why it makes no sense there.
"""

from __future__ import annotations

from dataclasses import dataclass

import click
import pytest
from stage import make_app, on_stage
from textual.css.query import NoMatches
from training_stage import training_app

from busprobe.cli.app import COMMANDS, application
from busprobe.session.events import Step
from busprobe.tui.actions import ACTIONS, Scope
from busprobe.tui.form import FormField
from busprobe.tui.options import OPTIONS, REPORT
from busprobe.tui.screens.paper import PAPER
from busprobe.tui.series import EXPORT, SITE_SERIES, WIRING_SERIES


@dataclass(frozen=True)
class Does:
    """An action of a screen."""

    call: str
    scope: Scope = Scope.WORK


@dataclass(frozen=True)
class Field:
    """A field of a form."""

    fields: tuple[FormField, ...]
    name: str


@dataclass(frozen=True)
class Stands:
    """A widget that is always there: in a step, or on a sheet, that these keys open."""

    widget: str
    keys: tuple[str, ...] = ()


@dataclass(frozen=True)
class Absent:
    """Why it makes no sense at the screen."""

    why: str


Place = Does | Field | Stands | Absent


def option(step: Step, name: str) -> Field:
    return Field(OPTIONS[step], name)


NO_DOCUMENT = Absent("The screen is read by people; documents are for other programs.")
SOMEBODY = Absent("Somebody sits at the screen: every write is shown and confirmed there.")
SERVES = Absent("Serves a bus to other programs; the screen opens simulated buses itself.")
OWN_NAME = Absent("Written beside the recording of this visit, under its name, and told.")

LINE_OPTIONS: dict[str, Place] = {
    "--record": option(Step.LINK, "record-file"),
    "--no-record": option(Step.LINK, "keep"),
    "--baud": Stands("#baud"),
    "--parity": Stands("#format"),
    "--stop-bits": Stands("#format"),
    "--json": NO_DOCUMENT,
}
SERVE_OPTIONS: dict[str, Place] = dict.fromkeys(
    ("--pty", "--tcp", "--rtu-tcp", "--rfc2217", "--host", "--seconds"), SERVES
)
PROFILE = option(Step.FIND, "profiles")

TABLE: dict[str, dict[str, Place]] = {
    "": {
        "--version": Absent("The report and the recording name it."),
        "--theme": Does("next_theme", Scope.APP),
        "--glyphs": Absent("What the font of the terminal can show does not change while it runs."),
    },
    "demo": {
        "--scenario": Stands("#argument"),
        "--no-tour": Does("skip_tour"),
        "--theme": Does("next_theme", Scope.APP),
        "--glyphs": Absent("What the font of the terminal can show does not change while it runs."),
    },
    "ports": {"--json": NO_DOCUMENT},
    "listen": {**LINE_OPTIONS, "--seconds": option(Step.LINE, "own-listen")},
    "scan": {
        **LINE_OPTIONS,
        "--addresses": option(Step.FIND, "addresses"),
        "--quick": option(Step.FIND, "second-round"),
        "--fast": Does("find_fast"),
        "--listen-first": option(Step.FIND, "listen-first"),
        "--insist": Does("insist"),
        "--no-duplicates": option(Step.FIND, "duplicates"),
        "--profile": PROFILE,
    },
    "read": {**LINE_OPTIONS, "--all": Does("view")},
    "watch": {
        **LINE_OPTIONS,
        "--every": option(Step.FIND, "watch-every"),
        "--times": Absent("Watching goes on until w or x ends it."),
    },
    "duplicates": {**LINE_OPTIONS, "ADDRESSES": option(Step.ADDRESSES, "check-addresses")},
    "line": {
        **LINE_OPTIONS,
        "ADDRESSES": option(Step.LINE, "line-addresses"),
        "--soak": option(Step.LINE, "own-soak"),
        "--insist": Does("insist"),
        "--plan": Stands("#plan-file", ("7",)),
        "--calculate": Does("paper"),
        **{
            f"--{name}": Field(PAPER, name)
            for name in (
                "terminators",
                "bias",
                "supply",
                "nodes",
                "unit-load",
                "length",
                "loop-ohm",
                "stub",
                "reads",
                "turnaround",
                "timeout",
            )
        },
        "--rise-ns": Field(PAPER, "rise"),
    },
    "wiring": {
        **LINE_OPTIONS,
        "--load": Stands("#load", ("5",)),
        "--load-tolerance": option(Step.WIRING, "tolerance"),
        "--phase": Stands("#plan", ("5",)),
        "--series": Field(WIRING_SERIES, "series-file"),
        "--system": option(Step.WIRING, "system"),
        "--duration": option(Step.WIRING, "passive"),
    },
    "bench": {
        **LINE_OPTIONS,
        "--requests": Stands("#bench-requests", ("8",)),
        "--watch": Stands("#bench-watch", ("8",)),
        "--reference": Stands("#bench-reference", ("8",)),
        "--class": Stands("#bench-class", ("8",)),
        "--rated-current": Stands("#bench-rated", ("8",)),
        "--with-cts": option(Step.BENCH, "with-cts"),
        "--nominal": option(Step.BENCH, "nominal"),
        "--all-settings": Does("every_setting"),
        "--at": option(Step.BENCH, "at"),
        "--yes": SOMEBODY,
        "--profile": PROFILE,
        "--html": OWN_NAME,
        "--pdf": Field(REPORT, "pdf"),
        "--report-json": OWN_NAME,
        "--details": Field(REPORT, "details"),
        "--overwrite": OWN_NAME,
    },
    "balance": {
        **LINE_OPTIONS,
        "--grid": Does("role"),
        "--generator": Does("role"),
        "--hybrid": Does("role"),
        "--battery": Does("role"),
        "--consumer": Does("role"),
        "--generation": option(Step.ENERGY, "generation"),
        "--duration": option(Step.ENERGY, "own-duration"),
        "--curtail": Stands("#curtail", ("6",)),
        "--series": Field(SITE_SERIES, "series-file"),
    },
    "readdress": {
        **LINE_OPTIONS,
        "NEW_ADDRESS": Stands("#new-address", ("3", "a")),
        "--new-baud": Stands("#new-baud", ("3", "a")),
        "--new-parity": Stands("#new-parity", ("3", "a")),
        "--new-stop-bits": Stands("#new-stop", ("3", "a")),
        "--separate": Does("separate"),
        "--plan-only": Does("back", Scope.CHANGE),
        "--yes": SOMEBODY,
        "--profile": PROFILE,
    },
    "plan": {
        **LINE_OPTIONS,
        "--output": option(Step.HANDOVER, "plan-out"),
        "--force": Absent("A plan that somebody filled in is not replaced: name another file."),
        "--addresses": option(Step.FIND, "addresses"),
        "--insist": Does("insist"),
    },
    "verify": {
        "PLAN_FILE": Stands("#plan-file", ("7",)),
        "--only": option(Step.HANDOVER, "only"),
        "--load": Stands("#verify-load", ("7",)),
        "--load-tolerance": option(Step.HANDOVER, "verify-tolerance"),
        "--state": option(Step.HANDOVER, "kept-in"),
        "--as-left": Stands("#verify-state", ("7",)),
        "--quick": Stands("#verify-reach", ("7",)),
        "--insist": option(Step.HANDOVER, "verify-insist"),
        "--watch": option(Step.HANDOVER, "verify-watch"),
        "--link": option(Step.HANDOVER, "links"),
        "--record": LINE_OPTIONS["--record"],
        "--no-record": LINE_OPTIONS["--no-record"],
        "--json": NO_DOCUMENT,
    },
    "decode": {
        "BYTES_": Stands("#hex", ("j",)),
        "--file": Stands("#hex", ("j",)),
        "--json": NO_DOCUMENT,
    },
    "report": {
        "RECORDINGS": Field(REPORT, "more"),
        "--as-left": Field(REPORT, "as-left"),
        "--verification": Field(REPORT, "checks"),
        "--details": Field(REPORT, "details"),
        "--html": Does("report"),
        "--pdf": Field(REPORT, "pdf"),
        "--json": Does("report"),
        "--overwrite": OWN_NAME,
        "--details-template": Absent(
            "What is typed under 'Report data' becomes such a file; a long one is filled in with "
            "an editor."
        ),
        "--schema": NO_DOCUMENT,
    },
    "recording": {
        "FILE": Field(EXPORT, "recording"),
        "--pcapng": Field(EXPORT, "pcapng"),
        "--csv": Field(EXPORT, "readings"),
        "--frames-csv": Field(EXPORT, "frames"),
        "--export-json": Field(EXPORT, "everything"),
        "--json": NO_DOCUMENT,
    },
    "simulate": {
        **SERVE_OPTIONS,
        "SCENARIO": Stands("#argument"),
        "--list": Stands("#choices"),
        "--seed": SERVES,
        "--json": NO_DOCUMENT,
    },
    "train": {
        **SERVE_OPTIONS,
        "EXERCISE": Stands("#wish", ("training",)),
        "--list": Stands("#exercises", ("training",)),
        "--random": Stands("#exercises", ("training",)),
        "--level": Stands("#exercises", ("training",)),
        "--seed": Stands("#wish", ("training",)),
        "--answer": Does("causes"),
        "--recording": Absent("What is done on the bus of an exercise is counted as it is done."),
        "--no-evidence": Does("evidence", Scope.MARKS),
        "--hint": Does("hint", Scope.EXERCISE),
        "--serve": SERVES,
        "--export": Does("write", Scope.RESULTS),
        "--state": Absent("The screen is opened for one trainee: named when it is started."),
        "--trainee": Does("write", Scope.RESULTS),
        "--json": NO_DOCUMENT,
    },
    "doctor": {"--json": NO_DOCUMENT},
    "schema": {"NAME": NO_DOCUMENT},
}
# What the commands do as a whole, and the key of it.
COMMAND_ACTIONS: dict[str, Place] = {
    "demo": Does("skip_tour"),
    "ports": Does("ports"),
    "listen": Does("listen"),
    "scan": Does("start"),
    "read": Does("view"),
    "watch": Does("watch"),
    "duplicates": Does("start"),
    "line": Does("start"),
    "wiring": Does("start"),
    "bench": Does("start"),
    "balance": Does("start"),
    "readdress": Does("readdress"),
    "plan": Does("first_plan"),
    "verify": Does("start"),
    "decode": Does("decode"),
    "report": Does("report"),
    "recording": Does("export"),
    "simulate": Stands("#argument"),
    "train": Does("training"),
    "doctor": Does("computer"),
    "schema": NO_DOCUMENT,
}
# The link and the device are chosen at the screen before anything else.
CHOSEN_FIRST = {"LINK": Stands("#argument"), "ADDRESS": Does("device(1)")}


def taken(name: str) -> set[str]:
    """Options and arguments of a command, as people write them."""
    command = application if not name else application.get_command(click.Context(application), name)
    assert command is not None
    return {
        p.opts[-1] if isinstance(p, click.Option) else str(p.name).upper() for p in command.params
    }


def test_every_command_has_a_row() -> None:
    assert set(TABLE) == {"", *COMMANDS}
    assert set(COMMAND_ACTIONS) == set(COMMANDS)


@pytest.mark.parametrize("name", TABLE, ids=lambda name: name or "busprobe")
def test_every_option_has_a_place_at_the_screen_or_a_reason(name: str) -> None:
    assert taken(name) - set(CHOSEN_FIRST) == set(TABLE[name])


def places() -> list[tuple[str, Place]]:
    rows = [(f"{c} {o}", place) for c, found in TABLE.items() for o, place in found.items()]
    return [*rows, *COMMAND_ACTIONS.items(), *CHOSEN_FIRST.items()]


def test_actions_and_fields_that_are_named_exist() -> None:
    calls = {(action.scope, call) for action in ACTIONS for call in (action.call, action.name)}
    for row, place in places():
        if isinstance(place, Does):
            assert (place.scope, place.call) in calls, row
        elif isinstance(place, Field):
            assert place.name in {field.name for field in place.fields}, row
        elif isinstance(place, Absent):
            assert place.why.endswith("."), row


async def test_widgets_that_are_named_exist() -> None:
    by_keys: dict[tuple[str, ...], set[str]] = {}
    for _, place in places():
        if isinstance(place, Stands):
            by_keys.setdefault(place.keys, set()).add(place.widget)
    for keys, widgets in by_keys.items():
        training = keys == ("training",)
        app = training_app() if training else make_app()
        async with on_stage(app) as stage:
            if keys and not training:
                await stage.find()
                await stage.press(*keys)
            for widget in widgets:
                try:
                    stage.app.screen.query_one(widget)
                except NoMatches:
                    pytest.fail(f"{widget} after {keys}")
