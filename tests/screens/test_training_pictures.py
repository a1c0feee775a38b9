"""Every screen of the training looks as it looked when somebody last looked at it.

Draw anew with ``pytest tests/screens --snapshot-update``, then look at the pictures.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from stage import Stage
from textual.pilot import Pilot
from training_stage import go_to_training, training_app

from busprobe.tui.app import BusprobeApp

SMALL, MIDDLE, LARGE = (80, 24), (120, 40), (200, 50)
STATIONS = (
    "training-list", "hint-asked", "training-found", "causes-stated", "marks", "evidence-own",
    "results-written",
)  # fmt: skip
PICTURES = [
    *((station, SMALL, "busprobe-dark", "braille") for station in STATIONS),
    *((station, MIDDLE, "busprobe-light", "braille") for station in STATIONS),
    ("training-list", LARGE, "busprobe-dark", "braille"),
    ("causes-stated", LARGE, "busprobe-light", "braille"),
    ("marks", LARGE, "busprobe-dark", "braille"),
    ("evidence", LARGE, "busprobe-light", "braille"),
    ("causes-stated", SMALL, "busprobe-contrast-light", "ascii"),
    ("marks", SMALL, "busprobe-contrast-dark", "half"),
]


async def _perform(pilot: Pilot[None], app: BusprobeApp, station: str) -> None:
    stage = Stage(app, pilot)
    await stage.settle()
    await go_to_training(stage, station)


@pytest.mark.parametrize(
    ("station", "size", "theme", "glyphs"),
    PICTURES,
    ids=[f"{s}-{w}x{h}-{t.removeprefix('busprobe-')}-{g}" for s, (w, h), t, g in PICTURES],
)
def test_training_picture(
    snap_compare: Callable[..., bool],
    station: str,
    size: tuple[int, int],
    theme: str,
    glyphs: str,
) -> None:
    app = training_app(theme=theme, glyphs=glyphs)
    perform = partial(_perform, app=app, station=station)
    assert snap_compare(app, terminal_size=size, run_before=perform)
