"""Every screen looks as it looked when somebody last looked at it.

A whole job is walked through in each look, and every station is compared: what stands where, in
which style. Draw anew with ``pytest tests/screens --snapshot-update``, then look at the screens
(``tests/screens/gallery.py`` lays them out on sheets).
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass

import pytest
from contrast import pale_texts
from stage import Stage, make_app, on_stage, walk
from syrupy.assertion import SnapshotAssertion
from syrupy.extensions.single_file import SingleFileSnapshotExtension, WriteMode
from training_stage import training_app, walk_training

from busprobe.tui.app import BusprobeApp
from busprobe.tui.glyphs import CODE_PAGE_437
from busprobe.tui.hints import next_hint
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.work import WorkScreen


@dataclass(frozen=True)
class Look:
    """A window, a theme, a set of signs."""

    size: tuple[int, int]
    theme: str
    glyphs: str

    def __str__(self) -> str:
        return f"{self.size[0]}x{self.size[1]}-{self.theme}-{self.glyphs}"


SMALL, MIDDLE, LARGE = (80, 24), (120, 40), (200, 50)
LOOKS = (
    Look(SMALL, "dark", "braille"),
    Look(SMALL, "contrast-light", "ascii"),
    Look(MIDDLE, "light", "braille"),
    Look(MIDDLE, "contrast-dark", "half"),
    Look(LARGE, "dark", "braille"),
)
# The framework draws the end of a scroll bar with an eighth of a block.
_EIGHTHS = set("▁▂▃▅▆▇▏▎▍▋▊▉")


class Drawing(SingleFileSnapshotExtension):
    """A screen as text, with the styles of each row."""

    file_extension = "txt"
    _write_mode = WriteMode.TEXT


def drawn(stage: Stage) -> str:
    """What stands on the screen, row by row, then the styles by column."""
    names: dict[str, str] = {}
    rows, styles = [], []
    for strip in stage.app.screen._compositor.render_strips():
        rows.append("".join(segment.text for segment in strip).rstrip())
        runs, column = [], 0
        for segment in strip.simplify():
            style = str(segment.style or "none")
            name = names.setdefault(style, chr(ord("A") + len(names)))
            runs.append(f"{name}{column}")
            column += segment.cell_length
        styles.append(" ".join(runs))
    legend = [f"{name} {style}" for style, name in names.items()]
    return "\n".join((*rows, "", *styles, "", *legend, ""))


def bears(glyphs: str, text: str) -> set[str]:
    """Characters that the terminal this set of signs is for cannot show."""
    if glyphs == "ascii":
        return {character for character in text if not character.isascii()}
    if glyphs == "half":
        return set(text) - CODE_PAGE_437 - _EIGHTHS - {"\n"}
    return set()


async def compare(
    look: Look,
    app: BusprobeApp,
    stations: Callable[[Stage], AsyncIterator[str]],
    snapshot: SnapshotAssertion,
) -> None:
    """Walk, and hold every station against how it looked."""
    wrong = []
    pictures = snapshot.use_extension(Drawing)
    async with on_stage(app, size=look.size) as stage:
        async for station in stations(stage):
            # What lies under a sheet shines through: it has to be at rest too.
            await stage.settle()
            text = stage.screen_text()
            assert bears(look.glyphs, text) == set(), station
            # WCAG 2.2, success criteria 1.4.3 and, for the high-contrast themes, 1.4.6.
            wanted = 7.0 if "contrast" in look.theme else 4.5
            wrong += [f"{station}: {text}" for text in sorted(pale_texts(app, wanted))]
            screen = stage.app.screen
            if isinstance(screen, WorkScreen):
                hint = stage.app.glyphs.plain(next_hint(stage.app.state, screen.step))
                assert hint in text, station
            elif isinstance(screen, FramesScreen):
                assert "Next: move with the arrow keys" in text
            if drawn(stage) != pictures(name=station):
                wrong.append(station)
    assert wrong == []


@pytest.mark.parametrize("look", LOOKS, ids=str)
async def test_a_whole_job(look: Look, snapshot: SnapshotAssertion) -> None:
    app = make_app(theme=f"busprobe-{look.theme}", glyphs=look.glyphs)
    await compare(look, app, walk, snapshot)


@pytest.mark.parametrize("look", [*LOOKS[:3], LOOKS[4]], ids=str)
async def test_an_exercise(look: Look, snapshot: SnapshotAssertion) -> None:
    app = training_app(theme=f"busprobe-{look.theme}", glyphs=look.glyphs)
    await compare(look, app, walk_training, snapshot)


async def test_the_tour(snapshot: SnapshotAssertion) -> None:
    app = make_app(tour=True, link="sim:demo")

    async def first_stops(stage: Stage) -> AsyncIterator[str]:
        async for station in walk(stage):
            yield f"tour-{station}"
            if station == "addresses":
                return

    await compare(LOOKS[0], app, first_stops, snapshot)
