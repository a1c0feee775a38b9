"""The stations of an exercise, from the choice to the results, on the stage of the other tests."""

from __future__ import annotations

from collections.abc import AsyncIterator

from fake_session import FakeSession
from fake_training import FakeTraining
from stage import PORTS, SCENARIOS, Stage
from textual.widgets import Input

from busprobe.tui.app import BusprobeApp
from busprobe.tui.screens.training_list import ExerciseList


def training_app(
    *, theme: str = "busprobe-dark", glyphs: str = "braille", begin: bool = True
) -> BusprobeApp:
    """The application with a scripted trainer, at the choice of an exercise."""
    session = FakeSession()
    return BusprobeApp(
        session, link_argument=None, ports=lambda: PORTS, scenarios=SCENARIOS, theme=theme,
        glyphs=glyphs, training=FakeTraining(session), begin_training=begin,
    )  # fmt: skip


def trainer_of(stage: Stage) -> FakeTraining:
    """The scripted trainer."""
    training = stage.app.training
    assert isinstance(training, FakeTraining)
    return training


async def walk_training(stage: Stage) -> AsyncIterator[str]:
    """Go through one exercise; yields the name of each station when it is reached."""
    # The choice is painted before the exercises are read.
    while not stage.app.screen.query_one(ExerciseList).cards:
        await stage.settle()
    await stage.settle()
    yield "training-list"
    await stage.press("down", "enter")
    yield "exercise"
    await stage.press("h")
    yield "hint-asked"
    await stage.press("y", "g", "u", "z")
    yield "hint-taken"
    await stage.press("b")
    yield "training-work"
    await stage.press("s")
    await stage.play()
    await stage.press("3", "s")
    await stage.play()
    yield "training-found"
    await stage.press("c")
    yield "causes"
    await stage.press("a", "down", "tab", "down", "a", "down")
    stage.app.screen.query_one("#cause-choice").focus()
    await stage.press("down")
    yield "causes-stated"
    stage.app.screen.query_one("#stated").focus()
    await stage.press("end", "up", "down", "h")
    yield "marks"
    await stage.press("down", "enter")
    yield "evidence"
    await stage.press("b", "up", "e")
    yield "evidence-own"
    await stage.press("b", "r")
    yield "results"
    stage.app.screen.query_one("#trainee", Input).value = "Ada"
    await stage.press("w")
    yield "results-written"
    await stage.press("b")


async def go_to_training(stage: Stage, station: str) -> None:
    """Go through the exercise up to a station."""
    async for reached in walk_training(stage):
        if reached == station:
            return
    raise ValueError(station)
