"""The wiring as found against the wiring as it should be, as a small schematic."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style

from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import CtWiring, Explanation

_NAMES = {"none": "no current", "open": "open", "N": "neutral"}
# Columns: meter input, CT as found, CT as it should be, voltage lead as found.
_FOUND, _WANT, _LEAD = 4, 26, 40


class WiringTable(CanvasPanel):
    """One explanation: where each CT and each voltage lead sits, and where it belongs."""

    DEFAULT_CSS = """
    WiringTable { height: auto; min-height: 5; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.explanation: Explanation | None = None

    def show(self, explanation: Explanation | None) -> None:
        """Show this explanation."""
        self.explanation = explanation
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw a row per input of the meter."""
        explanation = self.explanation
        if explanation is None:
            return
        dim = Style(color=self.colours.dim)
        canvas.write(0, 0, "In  CT found on", dim)
        canvas.write(_WANT, 0, "should be", dim)
        canvas.write(_LEAD, 0, "U lead found on", dim)
        for row, ct in enumerate(explanation.cts, start=1):
            self._input(canvas, row, ct.input)
            self._ct(canvas, row, ct)
        leads = [(v.input, v.conductor) for v in explanation.voltages]
        for row, (name, conductor) in enumerate((*leads, ("N", explanation.neutral)), start=1):
            self._input(canvas, row, name)
            self._lead(canvas, row, name, conductor)

    def _input(self, canvas: Canvas, row: int, name: str) -> None:
        canvas.write(0, row, name, Style(color=self.colours.phase(name), bold=True))

    def _ct(self, canvas: Canvas, row: int, ct: CtWiring) -> None:
        c, g = self.colours, self.glyphs
        arrow = g.unknown if ct.direction == "unknown" else g.right
        if ct.direction == "reversed":
            arrow = g.left
        found = f"{arrow} {_NAMES.get(ct.conductor, words.safe(ct.conductor))}"
        found += " reversed" if ct.direction == "reversed" else ""
        found += f" x{ct.ratio:.2f}" if ct.ratio is not None and not right_ratio(ct) else ""
        good = ct.conductor == ct.input and ct.direction != "reversed" and right_ratio(ct)
        canvas.write(_FOUND, row, found, Style(color=c.phase(ct.conductor), bold=not good))
        canvas.write(_WANT, row, f"{g.right} {ct.input}", Style(color=c.phase(ct.input)))
        self._mark(canvas, _WANT + 5, row, good)

    def _lead(self, canvas: Canvas, row: int, name: str, conductor: str) -> None:
        good = conductor == name
        found = _NAMES.get(conductor, words.safe(conductor))
        canvas.write(
            _LEAD, row, f"{found:<8}", Style(color=self.colours.phase(conductor), bold=not good)
        )
        self._mark(canvas, _LEAD + 8, row, good)

    def _mark(self, canvas: Canvas, column: int, row: int, good: bool) -> None:
        c, g = self.colours, self.glyphs
        mark = words.Shown(g.ok, "right", c.ok) if good else words.Shown(g.fail, "wrong", c.fail)
        canvas.write(column, row, str(mark), Style(color=mark.colour, bold=not good))


def right_ratio(ct: CtWiring) -> bool:
    """Whether the ratio is within what a ratio setting can be: wrong ones differ by far more."""
    return ct.ratio is None or abs(ct.ratio - 1.0) < 0.15
