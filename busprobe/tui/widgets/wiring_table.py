"""The wiring as found against the wiring as it should be, as a small schematic."""

from __future__ import annotations

from rich.style import Style

from busprobe.diagnosis.wiring import CtWiring, Explanation
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_NAMES = {"none": "no current", "open": "open", "N": "neutral"}


class WiringTable(CanvasPanel):
    """One explanation: where each CT and each voltage lead sits, and where it belongs."""

    DEFAULT_CSS = """
    WiringTable { height: auto; min-height: 8; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.explanation: Explanation | None = None

    def show(self, explanation: Explanation | None) -> None:
        """Show this explanation."""
        self.explanation = explanation
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw a row per input."""
        explanation = self.explanation
        if explanation is None:
            return
        c = self.colours
        dim = Style(color=c.dim)
        canvas.write(0, 0, "CT input   found on", dim)
        canvas.write(32, 0, "should be", dim)
        row = 1
        for ct in explanation.cts:
            self._ct(canvas, row, ct)
            row += 1
        canvas.write(0, row, "U input    found on", dim)
        row += 1
        leads = [(v.input, v.conductor) for v in explanation.voltages]
        for name, conductor in (*leads, ("N", explanation.neutral)):
            self._lead(canvas, row, name, conductor)
            row += 1

    def _ct(self, canvas: Canvas, row: int, ct: CtWiring) -> None:
        c, g = self.colours, self.glyphs
        right_place = ct.conductor == ct.input
        right_way = ct.direction != "reversed"
        right_ratio = ct.ratio is None or abs(ct.ratio - 1.0) < 0.15
        arrow = g.right if right_way else g.left
        found = f"{arrow} {_NAMES.get(ct.conductor, ct.conductor)}"
        found += "" if right_way else " reversed"
        found += "" if right_ratio else f" x{ct.ratio:.2f}"
        good = right_place and right_way and right_ratio
        self._row(canvas, row, ct.input, found, ct.conductor, good, f"{g.right} {ct.input}")

    def _lead(self, canvas: Canvas, row: int, name: str, conductor: str) -> None:
        found = _NAMES.get(conductor, conductor)
        good = conductor == name
        self._row(canvas, row, name, found, conductor, good, _NAMES.get(name, name))

    def _row(
        self, canvas: Canvas, row: int, name: str, found: str, conductor: str, good: bool, want: str
    ) -> None:
        c, g = self.colours, self.glyphs
        mark = words.Shown(g.ok, "right", c.ok) if good else words.Shown(g.fail, "wrong", c.fail)
        canvas.write(1, row, name, Style(color=c.phase(name), bold=True))
        canvas.write(4, row, g.box[1] * 5, Style(color=c.faint))
        canvas.write(11, row, found, Style(color=c.phase(conductor), bold=not good))
        canvas.write(32, row, want, Style(color=c.phase(name)))
        canvas.write(42, row, str(mark), Style(color=mark.colour, bold=True))
