"""Colours: readable, distinct, and those of the published palette."""

from __future__ import annotations

import pytest
from contrast import contrast, pale_texts
from stage import on_stage

from busprobe.tui.theme import DARK, THEMES, Colours, textual_themes

TEXT_COLOURS = ("ok", "warn", "fail", "note", "l1", "l2", "l3", "ink", "dim", "accent")


def test_the_measure_itself() -> None:
    # WCAG 2.2: black on white is 21:1.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("name", THEMES)
@pytest.mark.parametrize("colour", TEXT_COLOURS)
def test_every_text_is_readable_on_every_ground(name: str, colour: str) -> None:
    colours = THEMES[name]
    # WCAG 2.2, success criteria 1.4.3 (4.5:1) and, for the high-contrast themes, 1.4.6 (7:1).
    wanted = 7.0 if "contrast" in name else 4.5
    for ground in (colours.paper, colours.raised, colours.mark):
        assert contrast(getattr(colours, colour), ground) >= wanted


def test_states_and_phases_are_of_the_okabe_ito_palette() -> None:
    # Okabe and Ito, "Color Universal Design", 2008: orange, sky blue, yellow.
    assert (DARK.l1, DARK.l2, DARK.ok, DARK.warn) == ("#e69f00", "#56b4e9", "#56b4e9", "#f0e442")


@pytest.mark.parametrize("colours", THEMES.values(), ids=THEMES)
def test_phases_have_three_colours(colours: Colours) -> None:
    assert len({colours.phase(p) for p in ("L1", "L2", "L3", "N")}) == 4


def test_every_theme_can_be_registered_under_its_name() -> None:
    assert [theme.name for theme in textual_themes()] == list(THEMES)
    assert [theme.dark for theme in textual_themes()] == [True, False, True, False]


async def test_the_look_at_a_screen_finds_text_that_is_too_pale() -> None:
    async with on_stage() as stage:
        assert pale_texts(stage.app, 4.5) == set()
        # No pair of colours reaches more than 21:1.
        assert any("busprobe" in text for text in pale_texts(stage.app, 21.5))
