"""Draws the pictures of the documentation: the real program on simulated sites.

    python docs/draw_pictures.py

Look at every picture before you commit it.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import shutil
import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from textual.pilot import Pilot
from textual.widgets import Input, Select

from busprobe.launch import link_opener, simulator, training
from busprobe.model.check import CheckOutcome
from busprobe.model.line import LineSettings
from busprobe.session.events import Step
from busprobe.session.session import Session
from busprobe.session.training import TrainingDesk
from busprobe.session.training_room import TrainingRoom
from busprobe.tui.app import BusprobeApp
from busprobe.tui.screens.energy_pane import EnergyPane
from busprobe.tui.screens.handover_pane import CheckList
from busprobe.tui.state import StepState

FOLDER = Path(__file__).parent / "pictures"
LONGEST_WAIT = 6000


async def until(pilot: Pilot[None], condition: Callable[[], bool]) -> None:
    """Let the session work until something is so."""
    for _ in range(LONGEST_WAIT):
        if condition():
            return
        await pilot.pause(0.01)
    raise RuntimeError("It never came to that.")


def keep(app: BusprobeApp, name: str) -> None:
    """Write the screen as it is, without any reference to the outside."""
    svg = app.export_screenshot()
    svg = re.sub(r"@font-face \{.*?\}\s*", "", svg, flags=re.DOTALL)
    svg = svg.replace("Fira Code", "DejaVu Sans Mono, Menlo, Consolas")
    (FOLDER / f"{name}.svg").write_text(svg, encoding="utf-8")


def application(scenario: str, theme: str) -> BusprobeApp:
    """The terminal interface on a simulated bus, whose link is opened at once."""
    scenarios = [(s.name, s.title) for s in simulator().list_scenarios()]
    return BusprobeApp(
        Session(link_opener(pace="virtual")),
        link_argument=f"sim:{scenario}",
        ports=list,
        scenarios=scenarios,
        settings=LineSettings(),
        tour=False,
        theme=theme,
        glyphs="braille",
    )


async def tour(size: tuple[int, int], theme: str, names: dict[str, str]) -> None:
    """Walk through the job once, and keep the screens that have a name."""
    app = application("demo", theme)
    async with app.run_test(size=size) as pilot:
        state = app.state

        async def look(what: str) -> None:
            await pilot.pause(0.2)
            if what in names:
                keep(app, names[what])

        await until(pilot, lambda: state.is_open)
        await pilot.press("1")
        await look("link")
        await pilot.press("2", "o")
        await until(pilot, lambda: state.steps[Step.FIND].state is StepState.DONE)
        await pilot.press("right")
        await look("find")
        # The picture below the list explains the address that is marked.
        await pilot.press("left", "3")
        await look("addresses")
        await pilot.press("d")
        await look("finding")
        await pilot.press("escape", "f")
        await look("frames")
        await pilot.press("escape", "right", "5", "s")
        await until(pilot, lambda: state.prompt is not None)
        await look("asked")
        await pilot.press("h")
        await until(pilot, lambda: state.steps[Step.WIRING].state is StepState.DONE)
        await look("wiring")
        await pilot.press("4", "s")
        await until(pilot, lambda: state.steps[Step.LINE].state is StepState.DONE)
        await look("line")


async def energy(name: str) -> None:
    """A generator whose meter counts the wrong way."""
    app = application("reversed-generator-meter", "busprobe-dark")
    async with app.run_test(size=(120, 40)) as pilot:
        state = app.state
        await until(pilot, lambda: state.is_open)
        await pilot.press("2", "o")
        await until(pilot, lambda: state.steps[Step.FIND].state is StepState.DONE)
        await pilot.press("6")
        pane = app.screen.query_one(EnergyPane)
        for address, role in ((1, "grid"), (2, "generator")):
            state.selected = address
            while pane.meters().get(address, ("",))[0] != role:
                await pilot.press("m")
        await pilot.press("s")
        await until(pilot, lambda: state.steps[Step.ENERGY].state is StepState.DONE)
        await pilot.pause(0.2)
        keep(app, name)


async def handover(name: str) -> None:
    """The demo site held against its plan."""
    plan = FOLDER.parent / "examples" / "mill-lane.plan.yaml"
    app = application("demo", "busprobe-dark")
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        shutil.copy(plan, folder)
        async with app.run_test(size=(120, 40)) as pilot:
            state = app.state
            await until(pilot, lambda: state.is_open)
            await pilot.press("7")
            app.screen.query_one("#plan-file", Input).value = plan.name
            app.screen.query_one("#verify-reach", Select).value = 1
            await pilot.press("s")
            await until(pilot, lambda: state.steps[Step.HANDOVER].state is StepState.DONE)
            listed = app.screen.query_one(CheckList)
            outcomes = [check.outcome for check in listed.checks]
            listed.cursor = outcomes.index(CheckOutcome.FAIL)
            await pilot.pause(0.2)
            keep(app, name)


async def exercise() -> None:
    """Work on an exercise, miss one of its causes, and keep the screens."""
    session = Session(link_opener(pace="virtual"))
    with tempfile.TemporaryDirectory() as folder:
        state_file = Path(folder) / "training.json"

        def make_desk() -> TrainingDesk:
            return TrainingDesk(training(), link_opener(pace="virtual"), state_file)

        room = TrainingRoom(make_desk, session, lambda: datetime(2031, 5, 4, 9, 30, tzinfo=UTC))
        app = BusprobeApp(
            session, link_argument=None, ports=list, scenarios=[], glyphs="braille",
            training=room, begin_training=True,
        )  # fmt: skip
        async with app.run_test(size=(120, 40)) as pilot:
            state = app.state
            await pilot.press("down", "down")
            await pilot.pause(0.2)
            keep(app, "training-list-120x40")
            app.screen.query_one("#wish", Input).value = "two-fitters@1"
            await pilot.press("s")
            await until(pilot, lambda: state.is_open)
            await pilot.pause(0.2)
            keep(app, "training-exercise-120x40")
            await pilot.press("b", "o")
            await until(pilot, lambda: state.steps[Step.FIND].state is StepState.DONE)
            await pilot.press("c", "a", "down", "tab", "down", "a")
            await pilot.pause(0.2)
            keep(app, "training-causes-120x40")
            await pilot.press("h")
            await until(pilot, lambda: room.explanation is not None)
            await pilot.pause(0.5)
            keep(app, "training-marks-120x40")
            await pilot.press("down", "e")
            await pilot.pause(0.2)
            keep(app, "training-evidence-120x40")


async def main() -> None:
    """Draw all pictures."""
    FOLDER.mkdir(exist_ok=True)
    await tour(
        (120, 40),
        "busprobe-dark",
        {
            "link": "link-120x40",
            "find": "find-120x40",
            "addresses": "addresses-120x40",
            "finding": "finding-120x40",
            "frames": "frames-120x40",
            "wiring": "wiring-120x40",
            "line": "line-120x40",
        },
    )
    await energy("energy-120x40")
    await handover("handover-120x40")
    await tour((80, 24), "busprobe-light", {"asked": "asked-80x24", "wiring": "wiring-80x24"})
    await exercise()


if __name__ == "__main__":
    asyncio.run(main())
