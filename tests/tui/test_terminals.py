"""Terminals without braille, without line drawing, without colour, and a mouse."""

from __future__ import annotations

import re

import pytest
from rich.color import Color
from stage import make_app, on_stage

from busprobe.session.events import Step
from busprobe.tui.glyphs import GLYPHS, GlyphMode, choose_glyphs
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.widgets.bus_strip import BusStrip


@pytest.mark.parametrize(
    ("wish", "environment", "windows", "expected"),
    [
        ("auto", {}, False, GlyphMode.BRAILLE),
        ("auto", {"TERM": "linux"}, False, GlyphMode.HALF),
        ("auto", {}, True, GlyphMode.HALF),
        ("auto", {"WT_SESSION": "1"}, True, GlyphMode.BRAILLE),
        ("ascii", {"WT_SESSION": "1"}, True, GlyphMode.ASCII),
    ],
)
def test_signs_are_chosen_by_the_terminal(
    wish: str, environment: dict[str, str], windows: bool, expected: GlyphMode
) -> None:
    assert choose_glyphs(wish, environment, windows=windows) is GLYPHS[expected]


@pytest.mark.parametrize("encoding", ["ascii", "ANSI_X3.4-1968", "iso-8859-1", "cp1252"])
def test_a_terminal_that_takes_no_unicode_gets_plain_characters(encoding: str) -> None:
    environment = {"TERM": "xterm-256color"}
    chosen = choose_glyphs("auto", environment, windows=False, encoding=encoding)
    assert chosen is GLYPHS[GlyphMode.ASCII]
    asked = choose_glyphs("half", environment, windows=False, encoding=encoding)
    assert asked is GLYPHS[GlyphMode.HALF]


async def test_without_colour_every_state_still_has_its_word(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    app = make_app()
    async with on_stage(app) as stage:
        await stage.wiring_done()
        strips = app.screen._compositor.render_strips()
        colours = [
            colour
            for strip in strips
            for segment in strip
            if segment.style is not None
            for colour in (segment.style.color, segment.style.bgcolor)
            if colour is not None
        ]
        assert colours
        assert all(is_grey(colour) for colour in colours)
        text = stage.screen_text()
        for word in ("✘ fault", "✔ answers", "✘ wrong", "✔ right", "· to do"):
            assert word in text


def is_grey(colour: Color) -> bool:
    if colour.triplet is None:
        return True
    red, green, blue = colour.triplet
    return max(red, green, blue) - min(red, green, blue) <= 1


async def test_every_sign_stands_with_a_word() -> None:
    async with on_stage() as stage:
        await stage.wiring_done()
        for row in stage.screen_text().splitlines():
            for sign in re.finditer("[✔✘▲]", row):
                assert re.match(r"[✔✘▲] *\w", row[sign.start() :]), row


# -- mouse ----------------------------------------------------------------------------------


async def test_a_click_on_a_device_selects_it() -> None:
    async with on_stage() as stage:
        await stage.find()
        strip = stage.app.screen.query_one(BusStrip)
        drop = strip._drops[2]
        await stage.pilot.click(BusStrip, offset=(drop.left + 2, 3))
        await stage.settle()
        assert stage.app.state.selected == 10


async def test_a_click_on_a_key_runs_it() -> None:
    async with on_stage() as stage:
        await stage.find()
        column = stage.screen_text().splitlines()[-1].index("f Frames")
        await stage.pilot.click("#keys", offset=(column + 3, 0))
        await stage.settle()
        assert isinstance(stage.app.screen, FramesScreen)


async def test_a_second_click_on_a_step_shows_it() -> None:
    async with on_stage() as stage:
        await stage.pilot.click("#job", offset=(4, 4))
        await stage.pilot.click("#job", offset=(4, 4))
        await stage.settle()
        screen = stage.app.screen
        assert isinstance(screen, WorkScreen)
        assert screen.step is Step.ADDRESSES


async def test_answers_to_a_request_can_be_clicked() -> None:
    async with on_stage() as stage:
        await stage.wiring_asked()
        rows = stage.screen_text().splitlines()
        row = next(i for i, text in enumerate(rows) if "h Simulated hands" in text)
        await stage.pilot.click(offset=(rows[row].index("h Simulated"), row))
        await stage.settle()
        assert ("let_hands", ()) in stage.session.calls
