"""Keys, key line, palette and help are all made from one table, and say the same."""

from __future__ import annotations

import re

import pytest
from stage import on_stage, walk
from textual.binding import Binding
from textual.dom import DOMNode
from textual.screen import ModalScreen

from busprobe.session.events import Step
from busprobe.tui.actions import ACTIONS, Action, Scope, actions_in
from busprobe.tui.app import BusprobeApp
from busprobe.tui.help_texts import HELP
from busprobe.tui.palette import ActionProvider, title
from busprobe.tui.screens.bytes import BytesScreen
from busprobe.tui.screens.computer import ComputerScreen
from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.help import HelpScreen
from busprobe.tui.screens.leaving import LeavingScreen
from busprobe.tui.screens.options import OptionsScreen
from busprobe.tui.screens.paper import PaperScreen
from busprobe.tui.screens.readdress import ReaddressScreen
from busprobe.tui.screens.separate import SeparateScreen
from busprobe.tui.screens.series import FilesSheet
from busprobe.tui.screens.settings_tour import SettingsTourScreen
from busprobe.tui.screens.training_causes import CausesScreen
from busprobe.tui.screens.training_evidence import EvidenceScreen
from busprobe.tui.screens.training_exercise import ExerciseScreen
from busprobe.tui.screens.training_list import TrainingScreen
from busprobe.tui.screens.training_marks import MarksScreen
from busprobe.tui.screens.training_results import ResultsScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.training_help import TRAINING_HELP
from busprobe.tui.widgets.key_line import KeyLine

OWNERS: dict[Scope, type[DOMNode]] = {
    Scope.APP: BusprobeApp,
    Scope.WORK: WorkScreen,
    Scope.FRAMES: FramesScreen,
    Scope.FINDING: FindingScreen,
    Scope.CHANGE: ReaddressScreen,
    Scope.TRAINING: TrainingScreen,
    Scope.EXERCISE: ExerciseScreen,
    Scope.CAUSES: CausesScreen,
    Scope.MARKS: MarksScreen,
    Scope.EVIDENCE: EvidenceScreen,
    Scope.RESULTS: ResultsScreen,
    Scope.SEPARATE: SeparateScreen,
    Scope.LEAVING: LeavingScreen,
    Scope.TOUR: SettingsTourScreen,
    Scope.COMPUTER: ComputerScreen,
    Scope.BYTES: BytesScreen,
    Scope.PAPER: PaperScreen,
    Scope.OPTIONS: OptionsScreen,
    Scope.FILES: FilesSheet,
    Scope.HELP: HelpScreen,
}


def bindings_of(owner: type[DOMNode]) -> list[Binding]:
    bindings = [binding for binding in owner.BINDINGS if isinstance(binding, Binding)]
    assert len(bindings) == len(owner.BINDINGS)
    return bindings


@pytest.mark.parametrize("action", ACTIONS, ids=lambda a: f"{a.scope}-{a.call}")
def test_every_action_exists_and_is_bound_to_its_keys(action: Action) -> None:
    owner = OWNERS[action.scope]
    assert callable(getattr(owner, f"action_{action.name}"))
    bound = {
        key: binding.action for binding in bindings_of(owner) for key in binding.key.split(",")
    }
    assert [bound[key] for key in action.keys] == [action.call] * len(action.keys)


@pytest.mark.parametrize("scope", [s for s in Scope if s is not Scope.APP])
def test_no_key_has_two_meanings_on_a_screen(scope: Scope) -> None:
    keys = [key for action in actions_in(scope, Scope.APP) for key in action.keys]
    if scope is Scope.HELP:  # F1 opens help and closes it: the help screen comes first.
        keys.remove("f1")
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize("scope", Scope)
def test_screens_have_no_bindings_beside_the_table(scope: Scope) -> None:
    bound = {binding.action for binding in bindings_of(OWNERS[scope])}
    expected = {action.call for action in actions_in(scope)}
    if issubclass(OWNERS[scope], ModalScreen):  # keys do not pass through a modal screen
        expected |= {f"app.{action.call}" for action in actions_in(Scope.APP)}
    assert bound == expected


async def test_the_palette_offers_exactly_what_is_possible() -> None:
    async with on_stage() as stage:
        await stage.addresses()
        provider = ActionProvider(stage.app.screen)
        offered = {hit.text async for hit in provider.discover()}
        screen = stage.app.screen
        expected = {
            title(action)
            for action in actions_in(Scope.WORK, Scope.APP)
            if action.name != "command_palette"
            and (action.scope is Scope.APP or screen.check_action(action.name, ()))
        }
        assert offered == expected
        assert "Explain (d)" in offered
        assert "Stop (x)" not in offered


async def test_the_palette_finds_by_what_an_action_does() -> None:
    async with on_stage() as stage:
        provider = ActionProvider(stage.app.screen)
        hits = [hit.text async for hit in provider.search("exchange")]
        assert "Frames (f)" in hits


async def test_the_palette_runs_the_action() -> None:
    async with on_stage() as stage:
        provider = ActionProvider(stage.app.screen)
        hits = {hit.text: hit async for hit in provider.discover()}
        await hits["Addresses (3)"].command()
        await stage.settle()
        assert isinstance(stage.app.screen, WorkScreen)
        assert stage.app.screen.step is Step.ADDRESSES


async def test_the_key_line_shows_only_what_is_possible_and_every_key_of_it_works() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        line = stage.app.screen.query_one("#keys", KeyLine)
        labels = [action.label for action in line.offered()]
        assert labels == [
            "Start", "New address", "Separate", "Options", "Explain", "Frames", "Device", "Watch",
            "Help", "Commands",
        ]  # fmt: skip
        bottom = stage.screen_text().splitlines()[-1]
        for action in line.offered():
            assert f"{action.key_name} {action.label}" in bottom


async def test_help_names_every_key_of_the_screen_it_was_called_from() -> None:
    async with on_stage() as stage:
        topics = set()
        async for station in walk(stage):
            screen = stage.app.screen
            if isinstance(screen, HelpScreen):
                continue
            topic, scope = screen.help_topic, screen.SCOPE  # type: ignore[attr-defined]
            if topic in topics:
                continue
            topics.add(topic)
            await stage.press("f1")
            shown = stage.app.screen
            assert isinstance(shown, HelpScreen), station
            text = shown.text().plain
            assert text.startswith(HELP[topic].title)
            told = " ".join(text.split())
            for action in actions_in(scope, Scope.APP):
                # Its key begins a row; a long explanation goes on in the next one.
                assert re.search(rf"^ {re.escape(action.key_name)} ", text, re.MULTILINE)
                assert f" {action.key_name} {action.label} {action.help}" in told
            await stage.press("b")
        # The training has a walk of its own.
        assert topics == set(HELP) - set(TRAINING_HELP)


def test_every_step_has_help() -> None:
    assert set(Step) <= set(HELP)


@pytest.mark.parametrize("action", ACTIONS, ids=lambda a: f"{a.scope}-{a.call}")
def test_words_are_short_enough_for_the_key_line_and_whole_sentences_for_help(
    action: Action,
) -> None:
    assert len(action.label) <= 15
    assert action.help.endswith(".")
    assert action.help[0].isupper()
