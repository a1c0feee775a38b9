"""Draws the pictures of the documentation: the real program on the simulated demo site.

    python docs/draw_pictures.py

Look at every picture before you commit it.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from pathlib import Path

from textual.pilot import Pilot

from busprobe.launch import link_opener, simulator
from busprobe.session.events import Step
from busprobe.session.session import Session
from busprobe.tui.app import BusprobeApp
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


async def tour(size: tuple[int, int], theme: str, names: dict[str, str]) -> None:
    """Walk through the job once, and keep the screens that have a name."""
    scenarios = [(s.name, s.title) for s in simulator().list_scenarios()]
    app = BusprobeApp(
        Session(link_opener(pace="virtual")),
        link_argument="sim:demo",
        ports=list,
        scenarios=scenarios,
        tour=False,
        theme=theme,
        glyphs="braille",
    )
    async with app.run_test(size=size) as pilot:
        state = app.state

        async def look(what: str) -> None:
            await pilot.pause(0.2)
            if what in names:
                keep(app, names[what])

        await look("link")
        await pilot.press("s")
        await until(pilot, lambda: state.is_open)
        await pilot.press("2", "o")
        await until(pilot, lambda: state.steps[Step.FIND].state is StepState.DONE)
        await pilot.press("right")
        await look("find")
        await pilot.press("3")
        await look("addresses")
        await pilot.press("d")
        await look("finding")
        await pilot.press("escape", "f")
        await look("frames")
        await pilot.press("escape", "5", "s")
        await until(pilot, lambda: state.prompt is not None)
        await look("asked")
        await pilot.press("h")
        await until(pilot, lambda: state.steps[Step.WIRING].state is StepState.DONE)
        await look("wiring")
        await pilot.press("4", "s")
        await until(pilot, lambda: state.steps[Step.LINE].state is StepState.DONE)
        await look("line")


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
    await tour((80, 24), "busprobe-light", {"asked": "asked-80x24", "wiring": "wiring-80x24"})


if __name__ == "__main__":
    asyncio.run(main())
