"""A trainee at the keyboard and with the mouse: choose, work, state the causes, read the marks."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from fake_training import CARDS, GIVEN
from stage import Stage, on_stage
from test_untrusted_text import ACTIVE, HOSTILE
from textual.widgets import Input
from training_stage import go_to_training, trainer_of, training_app, walk_training

from busprobe.diagnosis.catalogue import CATALOGUE
from busprobe.session.events import Step
from busprobe.session.training_causes import CAUSES, Statement, answer_text
from busprobe.tui.actions import Scope, actions_in
from busprobe.tui.glyphs import CODE_PAGE_437
from busprobe.tui.help_texts import HELP
from busprobe.tui.palette import ActionProvider, title
from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.help import HelpScreen
from busprobe.tui.screens.training_causes import CauseChoice, CausesScreen, StatedList
from busprobe.tui.screens.training_evidence import EvidenceScreen
from busprobe.tui.screens.training_exercise import ExerciseScreen
from busprobe.tui.screens.training_list import TrainingScreen
from busprobe.tui.screens.training_marks import MarksScreen
from busprobe.tui.screens.training_results import ResultsScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.training_help import TRAINING_HELP
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.tick_row import TickRow
from busprobe.tui.widgets.training_strip import TrainingStrip


def stated(stage: Stage) -> str:
    return answer_text(stage.app.stated)


async def at(stage: Stage, station: str) -> None:
    await go_to_training(stage, station)


async def mark(stage: Stage, code: str) -> None:
    """Mark a cause on the form."""
    choice = stage.app.screen.query_one(CauseChoice)
    choice.cursor = next(
        n for n, row in enumerate(choice.ROWS) if not isinstance(row, str) and row.code == code
    )
    await stage.settle()


# -- choosing -------------------------------------------------------------------------------


async def test_exercises_are_listed_with_level_state_and_complaint() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        text = stage.screen_text()
        for card in CARDS:
            assert card.title in text
        for word in ("✔ 92", "▶ begun", "· new", "▲ 41", "■■■··", "The farmer is not amused"):
            assert word in text
        assert "4 different things may lie behind this complaint" in text
        assert "1 of 3 answered" in text


async def test_enter_begins_the_marked_one_and_opens_its_bus() -> None:
    async with on_stage(training_app()) as stage:
        await stage.press("down", "enter")
        assert trainer_of(stage).calls == [("begin", ("mill-lane@11", None))]
        assert stage.session.calls == [("open", (GIVEN.link, None))]
        assert isinstance(stage.app.screen, ExerciseScreen)
        work = stage.app.screen_stack[0]
        assert isinstance(work, WorkScreen)
        assert work.step is Step.FIND


async def test_a_trainer_tells_an_exercise_with_its_seed() -> None:
    async with on_stage(training_app()) as stage:
        field = stage.app.screen.query_one("#wish", Input)
        field.focus()
        field.value = ""
        await stage.press(*"random-3@17", "enter")
        assert trainer_of(stage).calls == [("begin", ("random-3@17", None))]


async def test_what_was_typed_stays_while_the_results_are_looked_at() -> None:
    async with on_stage(training_app()) as stage:
        stage.app.screen.query_one("#wish", Input).value = "two-pairs@5"
        await stage.press("r", "b")
        assert isinstance(stage.app.screen, TrainingScreen)
        assert stage.app.screen.query_one("#wish", Input).value == "two-pairs@5"


async def test_an_exercise_that_there_is_not_is_told_with_a_next_step() -> None:
    async with on_stage(training_app()) as stage:
        trainer_of(stage).refuse = "There is no exercise 'x'."
        await stage.press("s")
        assert isinstance(stage.app.screen, TrainingScreen)
        assert "There is no exercise 'x'. Choose another." in stage.screen_text()


async def test_the_mouse_chooses_and_begins() -> None:
    async with on_stage(training_app()) as stage:
        await stage.pilot.click("#exercises", offset=(10, 2))
        await stage.settle()
        assert stage.app.screen.query_one("#wish", Input).value == "last-call"
        await stage.pilot.click("#exercises", offset=(10, 2))
        await stage.settle()
        assert trainer_of(stage).calls == [("begin", ("last-call", None))]


async def test_exercises_are_reached_from_the_first_screen_the_key_and_the_palette() -> None:
    async with on_stage(training_app(begin=False)) as stage:
        assert "Exercises: find the" in stage.screen_text()
        await stage.press("down", "down", "s")
        assert isinstance(stage.app.screen, TrainingScreen)
        await stage.press("escape", "e")
        assert isinstance(stage.app.screen, TrainingScreen)
        await stage.press("b")
        hits = {hit.text: hit async for hit in ActionProvider(stage.app.screen).discover()}
        await hits["Exercise (e)"].command()
        await stage.settle()
        assert isinstance(stage.app.screen, TrainingScreen)


# -- working --------------------------------------------------------------------------------


async def test_the_sheet_tells_complaint_papers_and_prices_and_nothing_of_the_truth() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "exercise")
        text = stage.screen_text()
        for words in (
            "mill-lane@11", "The papers (9600 8N1)", "heat pump meter", "measures the consumer",
            "since spring", "no wiring to prove", "hint 1: 5 points", "13:20 of bus time",
        ):  # fmt: skip
            assert words in text
        assert "share address" not in text


async def test_a_hint_tells_its_price_before_it_is_taken() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "exercise")
        await stage.press("h")
        assert "Hint 1 costs 5 points: y takes it" in stage.screen_text()
        assert ("take_hint", (1,)) not in trainer_of(stage).calls
        await stage.press("y")
        assert trainer_of(stage).calls[-1] == ("take_hint", (1,))
        assert "Take bus and clamps one after the other. (−5)" in stage.screen_text()
        await stage.press("h", "y")
        assert trainer_of(stage).calls[-1] == ("take_hint", (2,))
        assert not stage.app.screen.check_action("hint", ())


async def test_hands_unplug_the_manager_carry_the_heater_and_time_runs_faster() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "exercise")
        await stage.press("u", "g", "z")
        assert trainer_of(stage).calls[1:] == [
            ("unplug_master", (True,)), ("carry_heater", ("heat pump",)), ("set_speed", (4.0,)),
        ]  # fmt: skip
        await stage.press("b")
        text = stage.screen_text()
        for words in ("manager unplugged", "heater: heat pump", "4x"):
            assert words in text
        await stage.press("z", "z", "e", "u", "g")
        assert trainer_of(stage).calls[-4:] == [
            ("set_speed", (10.0,)), ("set_speed", (1.0,)), ("unplug_master", (False,)),
            ("carry_heater", ("",)),
        ]  # fmt: skip


async def test_the_strip_stands_over_the_usual_job_and_only_there() -> None:
    async with on_stage(training_app(begin=False), size=(120, 40)) as stage:
        strip = stage.app.screen.query_one(TrainingStrip)
        assert not strip.display
        await stage.press("e")
        await at(stage, "training-found")
        assert strip.display
        row = stage.screen_text().splitlines()[1]
        assert re.search(r"Training Two fitters, one m.* 2:31 of 13:20 +hints −5", row)
        assert "e exercise  c causes" in row
        assert "grid meter" not in row
        await stage.press("1")
        stage.app.screen.query_one("#argument", Input).value = "sim:demo"
        await stage.press("s")
        assert trainer_of(stage).calls[-1] == ("leave", ())
        assert not strip.display


async def test_the_strip_can_be_clicked() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "training-work")
        await stage.pilot.click(TrainingStrip, offset=(20, 0))
        await stage.settle()
        assert isinstance(stage.app.screen, ExerciseScreen)
        await stage.press("b")
        await stage.pilot.click(TrainingStrip, offset=(115, 0))
        await stage.settle()
        assert isinstance(stage.app.screen, CausesScreen)


# -- stating the causes -----------------------------------------------------------------------


async def test_causes_are_stated_by_keys() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "causes")
        await stage.press("enter", "down", "enter")
        assert stated(stage) == "duplicate-address@2"
        await mark(stage, "ct-reversed")
        await stage.press("a")
        assert "Tick the inputs" in stage.notices()
        await stage.press("1", "3", "1", "2", "a")
        assert stated(stage) == "duplicate-address@2, ct-reversed@2/L2+L3"
        await mark(stage, "echo-heard")
        assert "2. Where: the whole line" in stage.screen_text()
        await stage.press("a", "a")
        assert stated(stage).endswith(", echo-heard")
        assert "stated already" in stage.notices()
        stage.app.screen.query_one(StatedList).focus()
        await stage.press("home", "r")
        assert stated(stage) == "ct-reversed@2/L2+L3, echo-heard"
        await stage.press("b")
        assert isinstance(stage.app.screen, WorkScreen)
        await stage.press("c")
        assert "CT the wrong way round, address 2, L2+L3" in stage.screen_text()


async def test_several_that_could_fit_are_joined() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "causes")
        await mark(stage, "device-silent")
        await stage.press("a")
        await mark(stage, "swapped-pair")
        await stage.press("a", "o")
        assert stated(stage) == "device-silent@1|swapped-pair@1"
        text = stage.screen_text()
        assert "a planned device does not answer, address 1 or A and B exchanged" in text
        await stage.press("h")
        assert trainer_of(stage).calls[-1] == ("answer", ("device-silent@1|swapped-pair@1",))


async def test_an_address_that_is_not_in_the_papers_can_be_stated() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "causes")
        await mark(stage, "polled-absent")
        field = stage.app.screen.query_one("#other-address", Input)
        field.focus()
        await stage.press("5", "5", "5", "enter")
        assert stated(stage) == "none"
        assert "1 to 247" in stage.notices()
        await stage.press("backspace", "enter")
        assert stated(stage) == "polled-absent@55"


async def test_causes_are_stated_by_mouse() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "causes")
        await mark(stage, "ct-dead")
        await stage.pilot.click("#place-choice", offset=(5, 2))
        await stage.pilot.click(TickRow, offset=(10, 0))
        await stage.settle()
        line = stage.app.screen.query_one(KeyLine)
        await stage.pilot.click(KeyLine, offset=(1, 0))
        await stage.settle()
        assert stated(stage) == "ct-dead@2/L2"
        hand_in = next(start for start, _, action in line._targets if action.name == "hand_in")
        await stage.pilot.click(KeyLine, offset=(hand_in, 0))
        await stage.settle()
        assert trainer_of(stage).calls[-1] == ("answer", ("ct-dead@2/L2",))
        assert isinstance(stage.app.screen, MarksScreen)


async def test_nothing_wrong_has_to_be_said() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "causes")
        await stage.press("h")
        assert isinstance(stage.app.screen, CausesScreen)
        await stage.press("n")
        assert "Nothing is wrong on this bus" in stage.screen_text()
        await stage.press("h")
        assert trainer_of(stage).calls[-1] == ("answer", ("none",))


async def test_no_answer_is_taken_while_a_step_runs() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "training-work")
        await stage.press("s")
        await stage.play(50)
        await stage.press("c", "n", "h")
        assert isinstance(stage.app.screen, CausesScreen)
        assert "A step runs: stop it first" in stage.screen_text()


def test_every_cause_on_the_form_is_a_finding_of_the_catalogue() -> None:
    assert set(CAUSES) <= set(CATALOGUE)
    assert all(len(cause.words) <= 46 for cause in CAUSES.values())


def test_what_is_stated_is_written_as_an_answer() -> None:
    one, other = Statement("ct-dead", 3, ("L1", "L2")), Statement("echo-heard")
    assert answer_text([]) == "none"
    assert answer_text([(one,), (other,)]) == "ct-dead@3/L1+L2, echo-heard"
    assert answer_text([(one, other)]) == "ct-dead@3/L1+L2|echo-heard"


# -- marks ------------------------------------------------------------------------------------


async def test_marks_tell_what_was_found_missed_and_what_it_cost() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "marks")
        assert trainer_of(stage).calls[-1][1] == ("duplicate-address@1, settings-differ@2",)
        text = stage.screen_text()
        for words in (
            "✔ found   several devices share this address, address 1",
            "✘ missed  CT the wrong way round, address 2, L2",
            "✘ not so  other line settings than the rest, address 2",
            "what is not so", "− 30.0", "talked beside master", "−  6.2", "2:31 used",
        ):  # fmt: skip
            assert words in text


async def test_evidence_of_what_was_missed_names_step_and_frames() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "evidence")
        text = stage.screen_text()
        assert "Shown by step 5, Wiring (busprobe wiring sim:mill-lane@11 2 --load 2000)" in text
        assert "The CT of L2 is the wrong way round." in text
        assert not stage.app.screen.check_action("own", ())


async def test_what_stood_on_the_own_screen_leads_to_the_own_frames() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "evidence-own")
        text = stage.screen_text()
        assert "It stood on your own screen" in text
        assert "read holding registers" in text
        await stage.press("o")
        assert isinstance(stage.app.screen, FindingScreen)
        await stage.press("e")
        assert isinstance(stage.app.screen, FramesScreen)
        await stage.press("b", "b", "b")
        assert isinstance(stage.app.screen, MarksScreen)


async def test_marks_stand_before_the_evidence_is_worked_out() -> None:
    app = training_app()
    async with on_stage(app) as stage:
        trainer_of(stage).hold_explanation = True
        await at(stage, "marks")
        assert "examined once more" in stage.screen_text()
        await stage.press("down", "e")
        assert "a moment" in stage.notices()
        trainer_of(stage).explain()
        await stage.settle()
        stage.app.refresh_screens()
        await stage.settle()
        assert "Enter on a line shows" in stage.screen_text()
        await stage.press("e")
        assert isinstance(stage.app.screen, EvidenceScreen)


async def test_after_the_marks_the_next_exercise_is_chosen_or_the_bus_looked_at_again() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "marks")
        await stage.press("b")
        assert isinstance(stage.app.screen, WorkScreen)
        assert "answered" in stage.screen_text().splitlines()[1]
        await stage.press("c")
        assert isinstance(stage.app.screen, MarksScreen)
        await stage.press("n", "down", "s")
        assert len(stage.app.screen_stack) == 2
        assert isinstance(stage.app.screen, ExerciseScreen)
        assert stage.session.calls[-1] == ("open", (GIVEN.link, None))
        assert stated(stage) == "none"
        await stage.press("l")
        assert isinstance(stage.app.screen, TrainingScreen)


async def test_results_are_listed_and_written_with_the_name() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await at(stage, "results-written")
        assert isinstance(stage.app.screen, ResultsScreen)
        assert trainer_of(stage).calls[-2:] == [
            ("name_trainee", ("Ada",)), ("export", (Path("results.csv"),)),
        ]  # fmt: skip
        text = stage.screen_text()
        for words in (
            "✔ 92 excellent ",
            "▲ 40 again",
            "practice  A meter",
            "2 answers written to results",
        ):
            assert words in text
        assert "1 first answer, mean 92 points" in text


async def test_an_export_that_fails_is_told() -> None:
    async with on_stage(training_app()) as stage:
        await at(stage, "results")
        trainer_of(stage).refuse = "An export is .csv or .json."
        await stage.press("w")
        assert "An export is .csv or .json." in stage.screen_text()


# -- what holds for every screen ----------------------------------------------------------------


async def test_help_of_every_screen_names_every_key() -> None:
    async with on_stage(training_app()) as stage:
        topics = set()
        async for station in walk_training(stage):
            screen = stage.app.screen
            topic, scope = screen.help_topic, screen.SCOPE  # type: ignore[attr-defined]
            if topic in topics or topic not in TRAINING_HELP:
                continue
            topics.add(topic)
            await stage.press("f1")
            shown = stage.app.screen
            assert isinstance(shown, HelpScreen), station
            text = shown.text().plain
            assert text.startswith(HELP[topic].title)
            for action in actions_in(scope, Scope.APP):
                assert re.search(rf"^ {re.escape(action.key_name)} .*{re.escape(action.label)}",
                                 text, re.MULTILINE)  # fmt: skip
            await stage.press("b")
        assert topics == set(TRAINING_HELP)


async def test_palette_and_key_line_offer_what_is_possible() -> None:
    async with on_stage(training_app(), size=(160, 50)) as stage:
        async for station in walk_training(stage):
            screen = stage.app.screen
            scope = screen.SCOPE  # type: ignore[attr-defined]
            offered = {hit.text async for hit in ActionProvider(screen).discover()}
            possible = {
                title(action)
                for action in actions_in(scope)
                if action.name != "back" and screen.check_action(action.name, ())
            }
            assert possible <= offered, station
            bottom = stage.screen_text()
            for line in screen.query(KeyLine):
                if line.only:
                    continue
                for action in line.offered():
                    assert f"{action.key_name} {action.label}" in bottom, station


@pytest.mark.parametrize(
    ("glyphs", "size"), [("ascii", (80, 24)), ("ascii", (200, 50)), ("half", (120, 40))]
)
async def test_terminals_without_braille_show_every_screen(
    glyphs: str, size: tuple[int, int]
) -> None:
    async with on_stage(training_app(glyphs=glyphs), size=size) as stage:
        async for station in walk_training(stage):
            text = stage.screen_text()
            if glyphs == "ascii":
                assert {c for c in text if not c.isascii()} == set(), station
            else:
                extra = {c for c in text if c not in CODE_PAGE_437 and c != "\n"}
                assert extra <= set("▁▂▃▅▆▇▏▎▍▋▊▉"), station


@pytest.mark.parametrize("kind", HOSTILE)
async def test_text_of_an_exercise_file_is_text_and_nothing_else(kind: str) -> None:
    text = HOSTILE[kind]
    app = training_app()
    async with on_stage(app, size=(120, 40)) as stage:
        trainer = trainer_of(stage)
        trainer.given_out = replace(
            GIVEN, title=text, story=text, name=text, settings=text,
            papers=tuple(replace(p, name=text, note=text, socket=text) for p in GIVEN.papers),
            hints=tuple(replace(h, text=text) for h in GIVEN.hints),
        )  # fmt: skip
        trainer.listed = tuple(
            replace(card, title=text, story=text, name=text) for card in trainer.listed
        )
        trainer.cause_text = text
        screen = stage.app.screen
        assert isinstance(screen, TrainingScreen)
        screen.read()
        async for station in walk_training(stage):
            shown = stage.screen_text()
            assert not ACTIVE & set(shown), station


async def test_the_mark_passes_the_titles_of_the_causes_by() -> None:
    async with on_stage(training_app(), size=(120, 40)) as stage:
        await go_to_training(stage, "causes")
        choice = stage.app.screen.query_one(CauseChoice)
        choice.focus()
        for key in ("home", "end", "home", *("down",) * 8, *("up",) * 12, "pagedown", "pageup"):
            await stage.press(key)
            assert choice.chosen is not None, key
