"""Live values of the selected meter, a row per phase, with units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rich.style import Style

from busprobe.model.finding import Severity
from busprobe.model.reading import PHASES, SignConvention, Snapshot
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel


@dataclass(frozen=True, slots=True)
class _Column:
    """A column: quantity prefix, head, width and decimals."""

    prefix: str
    head: str
    width: int
    decimals: int


_COLUMNS = (
    _Column("V", "U/V", 8, 1),
    _Column("I", "I/A", 9, 2),
    _Column("P", "P/W", 9, 0),
    _Column("Q", "Q/var", 9, 0),
    _Column("PF", "PF", 7, 2),
    _Column("S", "S/VA", 9, 0),
)
_LABEL = 4
_SIGNS = {
    SignConvention.IMPORT_POSITIVE: "P positive = import",
    SignConvention.EXPORT_POSITIVE: "P positive = export",
    SignConvention.UNKNOWN: "Sign of P: not proven yet",
}


class LiveTable(CanvasPanel):
    """The values; columns that do not fit are left out, the least telling first."""

    DEFAULT_CSS = """
    LiveTable { min-width: 31; height: auto; min-height: 8; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw the table."""
        c = self.colours
        state = self.state
        if state.selected is None:
            return
        snapshot = state.latest(state.selected)
        if snapshot is None:
            canvas.write(0, 0, "Not read yet: press w.", Style(color=c.dim))
            self._findings(canvas, 2, state.selected)
            return
        row = self._phases(canvas, snapshot)
        row = self._totals(canvas, snapshot, row)
        self._findings(canvas, row, state.selected)

    def _phases(self, canvas: Canvas, snapshot: Snapshot) -> int:
        c, g = self.colours, self.glyphs
        quantities = snapshot.quantities
        columns, width = [], _LABEL
        for column in _COLUMNS:
            if any(name.split("_")[0] == column.prefix for name in quantities):
                if width + column.width > canvas.width:
                    break
                columns.append(column)
                width += column.width
        x = _LABEL
        for column in columns:
            canvas.write(x, 0, column.head.rjust(column.width), Style(color=c.dim))
            x += column.width
        row = 1
        for phase in (*PHASES, ""):
            if not phase and not any(column.prefix in quantities for column in columns):
                continue
            if phase and not any(f"{column.prefix}_{phase}" in quantities for column in columns):
                continue
            style = Style(color=c.phase(phase), bold=True)
            canvas.write(0, row, phase or g.sum, style)
            x = _LABEL
            for column in columns:
                name = f"{column.prefix}_{phase}" if phase else column.prefix
                text = self._cell(quantities, name, column)
                canvas.write(x, row, text.rjust(column.width), Style(color=c.ink))
                x += column.width
            row += 1
        return row

    def _cell(self, quantities: Mapping[str, float], name: str, column: _Column) -> str:
        value = quantities.get(name)
        if value is None:
            return ""
        return words.number(value, column.decimals, self.glyphs)

    def _totals(self, canvas: Canvas, snapshot: Snapshot, row: int) -> int:
        c, g = self.colours, self.glyphs
        quantities = snapshot.quantities
        dim = Style(color=c.dim)
        parts = []
        if "F" in quantities:
            parts.append(f"F {words.number(quantities['F'], 2, g)} Hz")
        for name, word in (("E_import", "in"), ("E_export", "out")):
            if name in quantities:
                parts.append(f"E {word} {words.number(quantities[name] / 1000, 1, g)} kWh")
        line = ""
        for part in parts:
            if line and len(line) + 2 + len(part) > canvas.width:
                canvas.write(0, row, line, dim)
                row, line = row + 1, ""
            line = f"{line}  {part}" if line else part
        if line:
            canvas.write(0, row, line, dim)
            row += 1
        canvas.write(0, row, _SIGNS[snapshot.sign], dim)
        return row + 1

    def _findings(self, canvas: Canvas, row: int, address: int) -> None:
        c, g = self.colours, self.glyphs
        for finding in self.state.findings_at(address):
            if finding.severity is Severity.NOTE or row >= canvas.height:
                continue
            shown = words.severity(finding.severity, g, c)
            text = f"{shown} {g.dash} {words.safe(finding.summary)}"
            for part in words.wrapped(text, canvas.width):
                canvas.write(0, row, part, Style(color=shown.colour))
                row += 1
