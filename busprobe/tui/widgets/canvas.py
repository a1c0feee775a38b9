"""A canvas of character cells: dots finer than a cell, with text laid over them.

Rules:
 1. Dots have square spacing in every glyph mode, so that a circle is a circle. Braille gives 2 x 4
    dots a cell, half blocks and ASCII 1 x 2.
 2. One cell has one style: that of its dot with the highest priority; of equals the last.
 3. Text hides the dots under it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from rich.text import Text
from textual.strip import Strip

from busprobe.tui.glyphs import GLYPHS, GlyphMode

# Unicode 15, "Braille Patterns": dots 1-3 and 7 are the left column, 4-6 and 8 the right one.
_BRAILLE_BASE = 0x2800
_BRAILLE_BITS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_HALF = " ▀▄█"
_ASCII = " '.:"
_PLAIN = Style()


@dataclass(slots=True)
class _Cell:
    bits: int = 0
    priority: int = -1
    style: Style = _PLAIN
    text: str | None = None


_BLANK = _Cell()


@dataclass(slots=True)
class Canvas:
    """Cells to draw on; x grows to the right and y downwards, both in dots.

    Attributes:
        width: Columns.
        height: Rows.
        mode: How fine the dots are.
    """

    width: int
    height: int
    mode: GlyphMode
    _cells: list[dict[int, _Cell]] = field(init=False)
    """What was drawn, by row and column; most of a canvas stays empty."""

    def __post_init__(self) -> None:
        self._cells = [{} for _ in range(self.height)]

    @property
    def dots_x(self) -> int:
        """Dots across a cell."""
        return 2 if self.mode is GlyphMode.BRAILLE else 1

    @property
    def dots_y(self) -> int:
        """Dots down a cell."""
        return 4 if self.mode is GlyphMode.BRAILLE else 2

    @property
    def dot_width(self) -> int:
        """Dots across the canvas."""
        return self.width * self.dots_x

    @property
    def dot_height(self) -> int:
        """Dots down the canvas."""
        return self.height * self.dots_y

    def dot(self, x: float, y: float, style: Style, priority: int = 0) -> None:
        """Set the dot nearest to (x, y); outside the canvas nothing happens."""
        ix, iy = math.floor(x + 0.5), math.floor(y + 0.5)
        if not (0 <= ix < self.dot_width and 0 <= iy < self.dot_height):
            return
        cell = self._cell(ix // self.dots_x, iy // self.dots_y)
        sub_x, sub_y = ix % self.dots_x, iy % self.dots_y
        cell.bits |= _BRAILLE_BITS[sub_x][sub_y] if self.mode is GlyphMode.BRAILLE else 1 << sub_y
        if priority >= cell.priority:
            cell.priority, cell.style = priority, style

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        style: Style,
        *,
        priority: int = 0,
        dash: tuple[int, int] | None = None,
    ) -> None:
        """Draw a straight line; `dash` is dots drawn and dots left out in turn, None is solid."""
        steps = max(1, math.ceil(max(abs(x1 - x0), abs(y1 - y0))))
        for i in range(steps + 1):
            if dash and i % sum(dash) >= dash[0]:
                continue
            t = i / steps
            self.dot(x0 + (x1 - x0) * t, y0 + (y1 - y0) * t, style, priority)

    def circle(self, x: float, y: float, radius: float, style: Style, *, gap: int = 3) -> None:
        """Draw a dotted circle with one dot about every `gap` dots of its length."""
        count = max(8, round(2 * math.pi * radius / gap))
        for i in range(count):
            angle = 2 * math.pi * i / count
            self.dot(x + radius * math.cos(angle), y + radius * math.sin(angle), style, 0)

    def write(self, column: int, row: int, text: str, style: Style = _PLAIN) -> None:
        """Lay text over the dots; what does not fit is cut."""
        if not 0 <= row < self.height:
            return
        text = GLYPHS[self.mode].plain(text)
        if text.isascii() and text.isprintable():
            self._write_narrow(column, row, text, style)
            return
        for character in text:
            cells = cell_len(character)
            if not cells:
                self._combine(column - 1, row, character)
                continue
            if column >= 0 and column + cells <= self.width:
                self._put(column, row, character, cells, style)
            column += cells

    def _write_narrow(self, column: int, row: int, text: str, style: Style) -> None:
        """Lay text over the dots of which each character takes one cell."""
        line, width = self._cells[row], self.width
        for at, character in enumerate(text, column):
            if 0 <= at < width:
                cell = line.get(at)
                if cell is None:
                    line[at] = _Cell(0, -1, style, character)
                else:
                    cell.text, cell.style = character, style

    def _combine(self, column: int, row: int, mark: str) -> None:
        """Add a mark without width to the character it belongs to."""
        cell = self._cells[row].get(column)
        if cell is not None and cell.text:
            cell.text += mark

    def _cell(self, column: int, row: int) -> _Cell:
        line = self._cells[row]
        cell = line.get(column)
        if cell is None:
            cell = line[column] = _Cell()
        return cell

    def _put(self, column: int, row: int, character: str, cells: int, style: Style) -> None:
        cell = self._cell(column, row)
        cell.text, cell.style = character, style
        for extra in range(1, cells):
            cell = self._cell(column + extra, row)
            cell.text, cell.style = "", style

    def write_text(self, column: int, row: int, text: Text) -> None:
        """Lay styled text over the dots."""
        for character, style in _styled(text):
            self.write(column, row, character, style)
            column += cell_len(character)

    def strip(self, row: int) -> Strip:
        """One row, ready to be shown."""
        segments: list[Segment] = []
        run, run_style = "", _PLAIN
        line = self._cells[row]
        for column in range(self.width):
            cell = line.get(column, _BLANK)
            glyph = self._glyph(cell)
            style = cell.style if glyph != " " or cell.text is not None else _PLAIN
            if style != run_style and run:
                segments.append(Segment(run, run_style))
                run = ""
            run, run_style = run + glyph, style
        if run:
            segments.append(Segment(run, run_style))
        return Strip(segments, self.width)

    def rows_unlike(self, other: Canvas) -> list[int] | None:
        """Rows that look different on the other canvas; None where they differ in size."""
        if (self.width, self.height, self.mode) != (other.width, other.height, other.mode):
            return None
        pairs = zip(self._cells, other._cells, strict=True)
        return [row for row, (mine, theirs) in enumerate(pairs) if mine != theirs]

    def plain(self) -> str:
        """All rows without style, for tests and for looking at."""
        columns = range(self.width)
        return "\n".join(
            "".join(self._glyph(line.get(column, _BLANK)) for column in columns)
            for line in self._cells
        )

    def _glyph(self, cell: _Cell) -> str:
        if cell.text is not None:
            return cell.text
        if not cell.bits:
            return " "
        if self.mode is GlyphMode.BRAILLE:
            return chr(_BRAILLE_BASE + cell.bits)
        return (_HALF if self.mode is GlyphMode.HALF else _ASCII)[cell.bits]


def _styled(text: Text) -> list[tuple[str, Style]]:
    base = text.style if isinstance(text.style, Style) else Style.parse(text.style or "")
    styles = [base] * len(text.plain)
    for span in text.spans:
        extra = span.style if isinstance(span.style, Style) else Style.parse(span.style)
        for i in range(max(0, span.start), min(len(styles), span.end)):
            styles[i] = styles[i] + extra
    return list(zip(text.plain, styles, strict=True))
