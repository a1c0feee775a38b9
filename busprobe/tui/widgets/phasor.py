"""The phasor picture: voltages solid, currents dashed, labels at the tips."""

from __future__ import annotations

import math

from rich.style import Style

from busprobe.tui.glyphs import GlyphMode
from busprobe.tui.phasors import Phasor, current_phasors, voltage_phasors
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_HEAD_DEG = 155.0
_CURRENT_REACH = 0.72


class PhasorPicture(CanvasPanel):
    """Phasors of the selected meter; L1 points up, the sequence L1, L2, L3 runs clockwise."""

    DEFAULT_CSS = """
    PhasorPicture { min-width: 24; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw dial, arrows and labels."""
        c = self.colours
        state = self.state
        snapshot = None if state.selected is None else state.latest(state.selected)
        voltages = voltage_phasors(snapshot.quantities) if snapshot else []
        currents = current_phasors(snapshot.quantities) if snapshot else []
        if not voltages:
            canvas.write(1, 0, "No voltages read yet.", Style(color=c.dim))
            return
        x, y = float(canvas.dot_width // 2), float(canvas.dot_height // 2)
        radius = min(x - 3 * canvas.dots_x, y - canvas.dots_y * 0.9)
        if radius < 4:
            return
        if canvas.mode is GlyphMode.BRAILLE:
            canvas.circle(x, y, radius, Style(color=c.faint))
        top_v = max(p.magnitude for p in voltages)
        top_i = max((p.magnitude for p in currents), default=1.0)
        for phasor in voltages:
            reach = radius * phasor.magnitude / top_v
            self._arrow(canvas, x, y, reach, phasor, "U")
        for phasor in currents:
            reach = max(radius * _CURRENT_REACH * phasor.magnitude / top_i, radius * 0.2)
            self._arrow(canvas, x, y, reach, phasor, "I")
        self._legend(canvas)

    def _arrow(
        self, canvas: Canvas, x: float, y: float, reach: float, phasor: Phasor, kind: str
    ) -> None:
        style = Style(color=self.colours.phase(phasor.phase), bold=kind == "U")
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
        row = min(max(row, 0), canvas.height - 1)
        column = min(max(column, 0), canvas.width - 2)
        canvas.write(column, row, f"{kind}{phasor.phase[1]}", style + Style(bold=True))

    def _legend(self, canvas: Canvas) -> None:
        dim = Style(color=self.colours.dim)
        if canvas.width >= 40:
            canvas.write(0, canvas.height - 2, "U solid", dim)
            canvas.write(0, canvas.height - 1, "I dashed", dim)
