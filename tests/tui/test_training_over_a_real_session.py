"""A whole exercise over real session and exercises, on a simulated bus in virtual time."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from textual.pilot import Pilot
from textual.widgets import Input

import busprobe_sim.training as exercises
from busprobe.launch import link_opener
from busprobe.session.events import Step
from busprobe.session.session import Session
from busprobe.session.training import TrainingDesk
from busprobe.session.training_room import TrainingRoom
from busprobe.tui.app import BusprobeApp
from busprobe.tui.screens.training_causes import CauseChoice, PlaceChoice
from busprobe.tui.screens.training_marks import MarksScreen
from busprobe.tui.state import StepState

LONGEST_WAIT = 6000


async def until(pilot: Pilot[None], condition: Callable[[], bool]) -> None:
    """Let the session's thread work until something is so."""
    for _ in range(LONGEST_WAIT):
        if condition():
            return
        await pilot.pause(0.01)
    raise AssertionError("It never came to that.")


def over_real_ones(folder: Path) -> tuple[BusprobeApp, TrainingRoom]:
    session = Session(link_opener(pace="virtual"))

    def make_desk() -> TrainingDesk:
        return TrainingDesk(exercises, link_opener(pace="virtual"), folder / "ada.json")

    room = TrainingRoom(make_desk, session, lambda: datetime(2031, 5, 4, 9, 30, tzinfo=UTC))
    app = BusprobeApp(
        session, link_argument=None, ports=list, scenarios=[], theme="busprobe-dark",
        glyphs="braille", training=room, begin_training=True,
    )  # fmt: skip
    return app, room


async def test_an_exercise_is_worked_on_answered_and_explained(tmp_path: Path) -> None:
    app, room = over_real_ones(tmp_path)
    seed = exercises.seed_for("one-meter-silent", "factory-address")
    async with app.run_test(size=(120, 40)) as pilot:
        state = app.state
        app.screen.query_one("#wish", Input).value = f"one-meter-silent@{seed}"
        await pilot.press("s")
        await until(pilot, lambda: state.is_open)
        await pilot.press("b", "o")
        await until(pilot, lambda: state.steps[Step.FIND].state is StepState.DONE)
        assert ("duplicate-address", 1) in state.findings
        standing = room.standing
        assert standing.requests == len(state.exchanges)
        assert standing.used_s > 10.0
        # Time in which nothing runs is not counted.
        await pilot.pause(0.1)
        assert room.standing.used_s == standing.used_s
        await pilot.press("c")
        choice = app.screen.query_one(CauseChoice)
        choice.cursor = next(
            n for n, row in enumerate(choice.ROWS) if getattr(row, "code", "") == "settings-differ"
        )
        app.screen.query_one(PlaceChoice).cursor = 1
        await pilot.pause(0)
        await pilot.press("a", "h")
        assert isinstance(app.screen, MarksScreen)
        graded = room.graded
        assert graded is not None
        grade = graded.grade
        assert [c.verdict for c in grade.causes] == ["missed"]
        assert [str(c) for c in grade.wrong] == ["settings-differ@2"]
        assert grade.judged_conduct
        assert grade.bus_time_s == round(standing.used_s, 3)
        # The search listened before it asked.
        assert grade.conduct == ()
        await until(pilot, lambda: room.explanation is not None)
        explanation = room.explanation
        assert explanation is not None
        shown = explanation.missed[0]
        assert shown.finding.code == "duplicate-address"
        assert shown.step is Step.ADDRESSES
        assert {e.request.address for e in shown.exchanges} == {1}
    kept = json.loads((tmp_path / "ada.json").read_text(encoding="utf-8"))
    assert kept["attempts"][0]["answers"][0]["text"] == "settings-differ@2"


async def test_the_line_check_asks_the_silent_meter_of_the_papers(tmp_path: Path) -> None:
    app, _ = over_real_ones(tmp_path)
    seed = exercises.seed_for("one-meter-silent", "dead")
    async with app.run_test(size=(120, 40)) as pilot:
        state = app.state
        app.screen.query_one("#wish", Input).value = f"one-meter-silent@{seed}"
        await pilot.press("s")
        await until(pilot, lambda: state.is_open)
        # Nobody is known yet: the papers say who is asked.
        await pilot.press("escape", "4", "s")
        await until(pilot, lambda: state.steps[Step.LINE].state is StepState.DONE)
        assert set(state.tallies) == {1, 2}
        assert ("device-silent", 2) in state.findings


async def test_a_guess_is_told_and_counts_nothing(tmp_path: Path) -> None:
    app, room = over_real_ones(tmp_path)
    seed = exercises.seed_for("strange-answers", "echo")
    async with app.run_test(size=(120, 40)) as pilot:
        app.screen.query_one("#wish", Input).value = f"strange-answers@{seed}"
        await pilot.press("s")
        await until(pilot, lambda: app.state.is_open)
        graded = room.answer("echo-heard")
        assert graded.grade.complete
        assert graded.grade.guessed
        assert graded.grade.score == 0.0
        await pilot.press("b", "c")
        assert isinstance(app.screen, MarksScreen)
        await until(pilot, lambda: room.explanation is not None)


async def test_the_hands_unplug_the_manager_on_the_running_bus(tmp_path: Path) -> None:
    app, room = over_real_ones(tmp_path)
    seed = exercises.seed_for("who-is-talking", "manager-polls")
    async with app.run_test(size=(120, 40)) as pilot:
        state = app.state
        app.screen.query_one("#wish", Input).value = f"who-is-talking@{seed}"
        await pilot.press("s")
        await until(pilot, lambda: state.is_open)
        await pilot.press("b", "4", "l")
        await until(pilot, lambda: ("foreign-master", None) in state.findings)
        await until(pilot, lambda: state.running is None)
        await pilot.press("e", "u", "b", "2", "o")
        await until(pilot, lambda: state.steps[Step.FIND].state is not StepState.TO_DO)
        await until(pilot, lambda: state.running is None)
        # A search refuses to start while a master is heard: it was unplugged.
        assert state.steps[Step.FIND].state is StepState.DONE
        assert set(state.devices) == {1, 2, 10}
        graded = room.answer("foreign-master")
        assert [d.kind for d in graded.grade.conduct] == ["master-unplugged"]
        assert graded.grade.complete
