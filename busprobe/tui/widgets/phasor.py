"""Phasor pictures: voltages solid, currents dashed, labels at the tips."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich.style import Style

from busprobe.tui import words
from busprobe.tui.glyphs import GlyphMode
from busprobe.tui.phasors import (
    Phasor,
    as_it_should_be,
    as_wired,
    current_phasors,
    voltage_phasors,
)
from busprobe.tui.theme import Colours
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import Explanation

_HEAD_DEG = 155.0
_CURRENT_REACH = 0.72
# A dial in less room is no picture any more.
_DIAL_COLUMNS, _DIAL_ROWS = 16, 8


@dataclass(frozen=True, slots=True)
class Dial:
    """A place for phasors on a canvas, in cells.

    Attributes:
        column, row: Top left.
        width, height: Extent.
    """

    column: int
    row: int
    width: int
    height: int

    def draw(
        self,
        canvas: Canvas,
        colours: Colours,
        voltages: list[Phasor],
        currents: list[Phasor],
        top_a: float | None = None,
    ) -> None:
        """Draw circle, arrows and labels; nothing where there is too little room.

        Args:
            canvas: Where to draw.
            colours: Colours in use.
            voltages: Solid; the largest reaches the circle.
            currents: Dashed and shorter.
            top_a: The current that reaches as far as a current may [A]; the largest if None.
        """
        x = (self.column + self.width / 2) * canvas.dots_x - 0.5
        y = (self.row + self.height / 2) * canvas.dots_y - 0.5
        radius = min(
            (self.width / 2 - 3) * canvas.dots_x, self.height / 2 * canvas.dots_y - canvas.dots_y
        )
        if radius < 4:
            return
        if canvas.mode is GlyphMode.BRAILLE:
            canvas.circle(x, y, radius, Style(color=colours.faint))
        top_v = max((p.magnitude for p in voltages), default=1.0)
        top_i = top_a or max((p.magnitude for p in currents), default=1.0)
        for phasor in voltages:
            self._arrow(canvas, colours, x, y, radius * phasor.magnitude / top_v, phasor, "U")
        for phasor in currents:
            reach = max(radius * _CURRENT_REACH * phasor.magnitude / top_i, radius * 0.2)
            self._arrow(canvas, colours, x, y, reach, phasor, "I")

    def _arrow(
        self,
        canvas: Canvas,
        colours: Colours,
        x: float,
        y: float,
        reach: float,
        phasor: Phasor,
        kind: str,
    ) -> None:
        style = Style(color=colours.phase(phasor.phase), bold=kind == "U")
        angle = math.radians(phasor.angle_deg + 90.0)
        tip_x, tip_y = x + reach * math.cos(angle), y - reach * math.sin(angle)
        priority = 2 if kind == "U" else 3
        dash = None if kind == "U" else (3, 2)
        canvas.line(x, y, tip_x, tip_y, style, priority=priority, dash=dash)
        head = max(2.0, reach * 0.14)
        for side in (-1, 1):
            barb = angle + side * math.radians(_HEAD_DEG)
            canvas.line(
                tip_x, tip_y, tip_x + head * math.cos(barb), tip_y - head * math.sin(barb),
                style, priority=priority,
            )  # fmt: skip
        out = reach + canvas.dots_y * 0.75
        column = round((x + out * 1.06 * math.cos(angle)) / canvas.dots_x - 0.5)
        row = round((y - out * math.sin(angle)) / canvas.dots_y - 0.5)
        row = min(max(row, self.row), self.row + self.height - 1)
        column = min(max(column, self.column), self.column + self.width - 2)
        canvas.write(column, row, f"{kind}{phasor.phase[1]}", style + Style(bold=True))


class PhasorPicture(CanvasPanel):
    """Phasors of the selected meter; L1 points up, the sequence L1, L2, L3 runs clockwise."""

    DEFAULT_CSS = """
    PhasorPicture { min-width: 24; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw the dial and its legend."""
        c = self.colours
        state = self.state
        snapshot = None if state.selected is None else state.latest(state.selected)
        voltages = voltage_phasors(snapshot.quantities) if snapshot else []
        currents = current_phasors(snapshot.quantities) if snapshot else []
        if not voltages:
            canvas.write(1, 0, "No voltages read yet.", Style(color=c.dim))
            return
        if canvas.height < _DIAL_ROWS:
            return
        Dial(0, 0, canvas.width, canvas.height).draw(canvas, c, voltages, currents)
        legend(canvas, c)


class PhasorPair(CanvasPanel):
    """The same moment twice: as the meter is wired, and as it should be."""

    DEFAULT_CSS = """
    PhasorPair { height: 1fr; min-height: 8; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.explanation: Explanation | None = None

    def show(self, explanation: Explanation | None) -> None:
        """Show what this wiring makes of the newest reading."""
        self.explanation = explanation
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw both dials under their titles."""
        c = self.colours
        state = self.state
        snapshot = None if state.selected is None else state.latest(state.selected)
        if snapshot is None or self.explanation is None:
            canvas.write(0, 0, "Phasors appear here with the verdict.", Style(color=c.dim))
            return
        width = canvas.width // 2
        if width < _DIAL_COLUMNS or canvas.height < _DIAL_ROWS:
            canvas.write(0, 0, "Phasors need a larger window.", Style(color=c.dim))
            return
        found = as_wired(snapshot.quantities, self.explanation)
        right = as_it_should_be(snapshot.quantities, self.explanation)
        top_a = max((p.magnitude for p in (*found[1], *right[1])), default=1.0)
        both = (("as wired", found), ("as it should be", right))
        for number, (title, (voltages, currents)) in enumerate(both):
            left = number * width
            canvas.write(
                left + max(0, (width - len(title)) // 2), 0, title, Style(color=c.ink, bold=True)
            )
            Dial(left, 1, width, canvas.height - 1).draw(canvas, c, voltages, currents, top_a)
        legend(canvas, c)


def legend(canvas: Canvas, colours: Colours) -> None:
    """Tell the two kinds of arrows apart, where there is room for it."""
    if canvas.width >= 40 and canvas.height >= 2:
        for row, text in ((2, "U solid"), (1, "I dashed")):
            canvas.write(0, canvas.height - row, words.safe(text), Style(color=colours.dim))
