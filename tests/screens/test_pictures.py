"""Every screen looks as it looked when somebody last looked at it.

Draw anew with ``pytest tests/screens --snapshot-update``, then look at the pictures.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import pytest
from stage import Stage, go_to, make_app
from textual.pilot import Pilot

from busprobe.tui.app import BusprobeApp

SMALL, MIDDLE, LARGE = (80, 24), (120, 40), (200, 50)

PICTURES = [
    *(
        (station, SMALL, "busprobe-dark", "braille")
        for station in (
            "link", "sweeping", "find", "trend", "registers", "addresses", "finding", "frames",
            "wiring-asked", "wiring-done", "help", "line", "line-heard", "energy", "verified",
            "change-planned", "separating", "separated", "bench-running", "bench", "bench-settings",
            "bench-map",
            "bench-label", "bench-tour",
        )
    ),
    *(
        (station, MIDDLE, "busprobe-light", "braille")
        for station in (
            "sweeping", "find", "addresses", "finding", "frames", "wiring-done", "line-heard",
            "line", "soak", "energy", "verified", "change-planned", "separation-planned",
            "bench", "bench-map",
        )
    ),
    ("wiring-done", SMALL, "busprobe-light", "braille"),
    ("wiring-hands", MIDDLE, "busprobe-dark", "braille"),
    ("wiring-done", LARGE, "busprobe-dark", "braille"),
    ("line", LARGE, "busprobe-light", "braille"),
    ("energy", LARGE, "busprobe-dark", "braille"),
    ("find", LARGE, "busprobe-light", "braille"),
    ("addresses", SMALL, "busprobe-contrast-dark", "half"),
    ("energy", SMALL, "busprobe-contrast-light", "half"),
    ("bench", LARGE, "busprobe-dark", "braille"),
    ("bench-label", SMALL, "busprobe-contrast-light", "ascii"),
    ("line", SMALL, "busprobe-contrast-dark", "ascii"),
    ("wiring-done", SMALL, "busprobe-contrast-light", "ascii"),
]  # fmt: skip


async def _perform(pilot: Pilot[None], app: BusprobeApp, station: str) -> None:
    stage = Stage(app, pilot)
    await stage.settle()
    await go_to(stage, station)


@pytest.mark.parametrize(
    ("station", "size", "theme", "glyphs"),
    PICTURES,
    ids=[f"{s}-{w}x{h}-{t.removeprefix('busprobe-')}-{g}" for s, (w, h), t, g in PICTURES],
)
def test_picture(
    snap_compare: Callable[..., bool],
    station: str,
    size: tuple[int, int],
    theme: str,
    glyphs: str,
) -> None:
    app = make_app(theme=theme, glyphs=glyphs)
    perform = partial(_perform, app=app, station=station)
    assert snap_compare(app, terminal_size=size, run_before=perform)


def test_picture_of_the_tour(snap_compare: Callable[..., bool]) -> None:
    app = make_app(tour=True, link="sim:demo")
    perform = partial(_perform, app=app, station="addresses")
    assert snap_compare(app, terminal_size=SMALL, run_before=perform)
