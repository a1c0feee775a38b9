"""The cell canvas: dots land where they should in every glyph mode."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from rich.style import Style
from rich.text import Text

from busprobe.tui.glyphs import GlyphMode
from busprobe.tui.widgets.canvas import Canvas

RED, BLUE = Style(color="#ff0000"), Style(color="#0000ff")


# The Unicode Standard, chapter 21.1 "Braille": the eight dots of U+2800..U+28FF are numbered
# 1 2 3 7 down the left column and 4 5 6 8 down the right one, dot n being bit n - 1.
@pytest.mark.parametrize(
    ("x", "y", "dot"),
    [(0, 0, 1), (0, 1, 2), (0, 2, 3), (0, 3, 7), (1, 0, 4), (1, 1, 5), (1, 2, 6), (1, 3, 8)],
)
def test_braille_dots_are_those_of_the_standard(x: int, y: int, dot: int) -> None:
    canvas = Canvas(1, 1, GlyphMode.BRAILLE)
    canvas.dot(x, y, RED)
    assert canvas.plain() == chr(0x2800 + (1 << (dot - 1)))


@pytest.mark.parametrize(
    ("mode", "upper", "lower", "both"),
    [(GlyphMode.HALF, "▀", "▄", "█"), (GlyphMode.ASCII, "'", ".", ":")],
)
def test_coarse_dots_are_halves_of_a_cell(
    mode: GlyphMode, upper: str, lower: str, both: str
) -> None:
    canvas = Canvas(3, 1, mode)
    canvas.dot(0, 0, RED)
    canvas.dot(1, 1, RED)
    canvas.dot(2, 0, RED)
    canvas.dot(2, 1, RED)
    assert canvas.plain() == upper + lower + both


@pytest.mark.parametrize("mode", GlyphMode)
def test_a_circle_is_as_wide_as_it_is_high(mode: GlyphMode) -> None:
    canvas = Canvas(40, 20, mode)
    x, y = canvas.dot_width / 2, canvas.dot_height / 2
    canvas.circle(x, y, 16, RED, gap=1)
    rows = canvas.plain().splitlines()
    columns = [c for row in rows for c, sign in enumerate(row) if sign != " "]
    lines = [r for r, row in enumerate(rows) if row.strip()]
    width = (max(columns) - min(columns) + 1) * canvas.dots_x
    height = (max(lines) - min(lines) + 1) * canvas.dots_y
    assert abs(width - height) <= max(canvas.dots_x, canvas.dots_y)
    assert 33 <= width <= 36


def test_the_higher_priority_gives_a_cell_its_colour() -> None:
    canvas = Canvas(1, 1, GlyphMode.BRAILLE)
    canvas.dot(0, 0, RED, priority=2)
    canvas.dot(1, 1, BLUE, priority=1)
    assert [segment.style for segment in canvas.strip(0)] == [RED]


def test_text_hides_dots_and_is_cut_at_the_edge() -> None:
    canvas = Canvas(4, 1, GlyphMode.BRAILLE)
    canvas.line(0, 1, 7, 1, RED)
    canvas.write(2, 0, "abc", BLUE)
    assert canvas.plain()[2:] == "ab"
    assert canvas.plain()[0] != " "


def test_dashes_leave_gaps() -> None:
    canvas = Canvas(10, 1, GlyphMode.HALF)
    canvas.line(0, 0, 9, 0, RED, dash=(2, 1))
    assert canvas.plain() == "▀▀ ▀▀ ▀▀ ▀"


def test_styled_text_keeps_its_styles() -> None:
    canvas = Canvas(5, 1, GlyphMode.BRAILLE)
    canvas.write_text(0, 0, Text.assemble(("ab", RED), ("c", BLUE)))
    assert [(s.text, s.style) for s in canvas.strip(0)][:2] == [("ab", RED), ("c", BLUE)]


@given(
    st.text(max_size=40),
    st.integers(-5, 30),
    st.integers(-2, 4),
    st.lists(st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3)), max_size=8),
    st.sampled_from(list(GlyphMode)),
)
def test_whatever_is_drawn_every_row_keeps_its_width(
    text: str, column: int, row: int, dots: list[tuple[float, float]], mode: GlyphMode
) -> None:
    canvas = Canvas(20, 3, mode)
    for x, y in dots:
        canvas.dot(x, y, RED)
    canvas.write(column, row, "".join(c for c in text if c.isprintable()), BLUE)
    for y in range(3):
        strip = canvas.strip(y)
        assert strip.cell_length == 20
        assert cell_len("".join(segment.text for segment in strip)) == 20
