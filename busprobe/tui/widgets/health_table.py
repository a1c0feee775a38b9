"""How each address answers: errors with their interval, and turn-around times."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style

from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.line_health import Tally

_COLUMNS = (("addr", 4), ("asked", 7), ("clean", 7), ("errors", 8), ("95 % interval", 16),
            ("median", 8), ("95th", 7), ("longest", 9))  # fmt: skip
_KINDS = ("damaged", "silent", "late", "crowded", "misaddressed")
_CLEAN = 0.01
_BAR = 24
_BARS = 12
_ROOMY = 76


class HealthTable(CanvasPanel):
    """A row for each address; below it the turn-arounds of the selected device."""

    DEFAULT_CSS = """
    HealthTable { height: auto; min-height: 4; }
    """

    def rows_wished(self) -> int:
        """Table, a line of air, title and bars of the spread."""
        tallies = self.state.tallies
        chosen = tallies.get(self.state.selected or -1) or next(iter(tallies.values()), None)
        bars = 0 if chosen is None else len(chosen.spread(_BARS))
        return len(tallies) + 1 + (3 + bars if bars else 0)

    def draw(self, canvas: Canvas) -> None:
        """Draw the table, then the spread of turn-arounds."""
        c = self.colours
        dim = Style(color=c.dim)
        tallies = [self.state.tallies[a] for a in sorted(self.state.tallies)]
        if not tallies:
            canvas.write(0, 0, "Errors and turn-around times of each address appear here.", dim)
            return
        x = 0
        for title, width in self._columns(canvas):
            canvas.write(x, 0, f"{title:>{width}}", dim)
            x += width
        canvas.write(x + 2, 0, "how they failed", dim)
        for row, tally in enumerate(tallies, start=1):
            self._row(canvas, row, tally)
        chosen = self.state.tallies.get(self.state.selected or -1, tallies[0])
        self._spread(canvas, len(tallies) + 2, chosen)

    def _columns(self, canvas: Canvas) -> tuple[tuple[str, int], ...]:
        """All columns, or without the upper percentile where there is no room for it."""
        return _COLUMNS if canvas.width >= _ROOMY else (*_COLUMNS[:6], _COLUMNS[7])

    def _row(self, canvas: Canvas, row: int, tally: Tally) -> None:
        c, g = self.colours, self.glyphs
        low, high = tally.error_interval
        median, late = tally.turnaround_ms(0.5), tally.turnaround_ms(0.95)
        good = not tally.failed
        colour = c.ok if good else c.warn if tally.error_rate < _CLEAN else c.fail
        cells: tuple[str, ...] = (
            str(tally.address), str(tally.exchanges), str(tally.answered),
            f"{100 * tally.error_rate:.1f} %", f"{100 * low:.1f} to {100 * high:.1f} %",
            _ms(median), _ms(late), f"{_ms(tally.slowest_ms)} ms",
        )  # fmt: skip
        columns = self._columns(canvas)
        if len(columns) < len(cells):
            cells = (*cells[:6], cells[7])
        x = 0
        for number, ((_, width), cell) in enumerate(zip(columns, cells, strict=True)):
            style = Style(color=c.ink)
            if number == 0:
                style = Style(color=c.accent, bold=True)
            elif number == 3:
                style = Style(color=colour, bold=True)
            canvas.write(x, row, f"{cell:>{width}}", style)
            x += width
        canvas.write(x, row, f" {g.ok if good else g.warn}", Style(color=colour, bold=True))
        kinds = [f"{getattr(tally, kind)} {kind}" for kind in _KINDS if getattr(tally, kind)]
        canvas.write(x + 3, row, ", ".join(kinds), Style(color=c.dim))

    def _spread(self, canvas: Canvas, row: int, tally: Tally) -> None:
        c, g = self.colours, self.glyphs
        room = canvas.height - row - 1
        spread = tally.spread(max(1, min(_BARS, room)))
        if room < 2 or not spread:
            return
        title = f"Turn-arounds at address {tally.address} (left/right: another device)"
        canvas.write(0, row, title, Style(color=c.dim))
        most = max(count for _, _, count in spread)
        for offset, (low, high, count) in enumerate(spread[:room], start=1):
            canvas.write(0, row + offset, f"{low:7.1f} to {high:7.1f} ms ", Style(color=c.ink))
            size = max(1, round(_BAR * count / most)) if count else 0
            canvas.write(22, row + offset, g.bar[0] * size, Style(color=c.accent))
            text = words.number(count, 0, g) if count else ""
            canvas.write(23 + size, row + offset, text, Style(color=c.dim))


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.1f}"
