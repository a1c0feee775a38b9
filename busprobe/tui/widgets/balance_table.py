"""The verdict on each meter of the site, and what stays open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style

from busprobe.model.finding import certainty
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.balance import MeterBalance

_COLUMNS = (("meter", -11), ("shows", 8), ("gives", 8), ("sign", -10), ("ratio", 6),
            ("phases", 10), ("sure", 11))  # fmt: skip
_ROOMY = 72


class BalanceTable(CanvasPanel):
    """A row for each meter, the residual, and the next experiment."""

    DEFAULT_CSS = """
    BalanceTable { height: 1fr; min-height: 4; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw verdict, meters and what stays open."""
        c, g = self.colours, self.glyphs
        dim, ink = Style(color=c.dim), Style(color=c.ink)
        balance = self.state.balance
        if balance is None:
            canvas.write(0, 0, "Sign, ratio and phases of each meter appear here.", dim)
            return
        shown = words.balance(balance.verdict.value, g, c)
        head = f"{shown.sign} {shown.word.upper()}"
        canvas.write(0, 0, head, Style(color=shown.colour, bold=True))
        sure = f"{certainty(balance.probability)} sure, over {balance.duration_s:.0f} s"
        canvas.write(len(head) + 2, 0, sure, dim)
        x = 0
        for title, width in self._columns(canvas):
            canvas.write(x, 1, _aligned(title, width), dim)
            x += abs(width) + 1
        row = 2
        for meter in balance.meters:
            self._row(canvas, row, meter)
            row += 1
        notes: list[tuple[str, str]] = []
        if balance.residual_w is not None:
            doubt = balance.residual_uncertainty_w or 0.0
            left = f"{words.number(balance.residual_w, 0, g)} W"
            notes.append(
                ("Rest of the house, no meter of its own", f"{left}, give or take {doubt:.0f} W.")
            )
        if balance.next_experiment:
            notes.append((f"{g.right} Next experiment", words.safe(balance.next_experiment)))
        notes += [(f"{g.unknown} Not told", words.safe(text)) for text in balance.not_identifiable]
        for lead, text in notes:
            for number, line in enumerate(words.wrapped(f"{lead}: {text}", canvas.width)):
                canvas.write(0, row, line, ink)
                if not number:
                    canvas.write(0, row, f"{lead}:", Style(color=c.accent, bold=True))
                row += 1

    def _columns(self, canvas: Canvas) -> tuple[tuple[str, int], ...]:
        """All columns, or without the phases where there is no room for them."""
        return _COLUMNS if canvas.width >= _ROOMY else (*_COLUMNS[:5], _COLUMNS[6])

    def _row(self, canvas: Canvas, row: int, meter: MeterBalance) -> None:
        c, g = self.colours, self.glyphs
        sign = {
            "right": words.Shown(g.ok, "right", c.ok),
            "reversed": words.Shown(g.fail, "reversed", c.fail),
        }.get(meter.sign.value, words.Shown(g.unknown, "open", c.dim))
        off = meter.ratio is not None and abs(meter.ratio - 1) > 0.15
        gives = g.unknown if meter.true_w is None else words.number(meter.true_w, 0, g)
        cells: tuple[tuple[str, str], ...] = (
            (words.safe(meter.name), c.accent),
            (words.number(meter.mean_w, 0, g), c.ink),
            (gives, c.ink),
            (str(sign), sign.colour),
            (g.unknown if meter.ratio is None else f"x{meter.ratio:.2f}", c.fail if off else c.ink),
            (" ".join(meter.phases) or g.unknown, c.ink),
            (certainty(meter.probability), c.ink if meter.decided else c.dim),
        )
        columns = self._columns(canvas)
        if len(columns) < len(cells):
            cells = (*cells[:5], cells[6])
        x = 0
        for (_, width), (text, colour) in zip(columns, cells, strict=True):
            canvas.write(x, row, _aligned(text, width), Style(color=colour, bold=x == 0))
            x += abs(width) + 1
        if meter.place.value not in ("behind-grid-meter", "unknown"):
            behind = f" ({words.safe(meter.behind)})" if meter.behind else ""
            text = f"{g.warn} {meter.place.value.replace('-', ' ')}{behind}"
            canvas.write(x, row, text, Style(color=c.warn))


def _aligned(text: str, width: int) -> str:
    """Text in a column; a negative width is aligned to the left."""
    return f"{text[:-width]:<{-width}}" if width < 0 else f"{text:>{width}}"
