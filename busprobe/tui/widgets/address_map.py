"""All addresses of a bus at a glance: who answered, who kept silent, who was not asked yet."""

from __future__ import annotations

from rich.style import Style

from busprobe.model.exchange import Outcome
from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.tui import words
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_LABEL = 5


class AddressMap(CanvasPanel):
    """One cell an address, twenty (or ten) to a row."""

    DEFAULT_CSS = """
    AddressMap { height: 1fr; min-height: 8; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw the map and its legend."""
        c, g = self.colours, self.glyphs
        per_row, pitch = _grid(canvas.width - _LABEL, canvas.height - 1)
        dim = Style(color=c.dim)
        for address in range(FIRST_ADDRESS, LAST_ADDRESS + 1):
            row, column = divmod(address - 1, per_row)
            if column == 0:
                canvas.write(0, row, f"{address:>3} ", dim)
            sign, style = self._cell(address)
            canvas.write(_LABEL + column * pitch, row, sign, style)
        parts = (
            (g.ok, "answered", c.ok),
            (g.fail, "trouble", c.fail),
            (g.silent, "silent", c.dim),
            (g.idle, "not asked yet", c.dim),
        )
        x, row = _LABEL, min(canvas.height - 1, -(-LAST_ADDRESS // per_row) + 1)
        for sign, word, colour in parts:
            canvas.write(x, row, f"{sign} {word}", Style(color=colour))
            x += len(word) + 5

    def _cell(self, address: int) -> tuple[str, Style]:
        c, g = self.colours, self.glyphs
        outcome = self.state.outcomes.get(address)
        device = self.state.devices.get(address)
        if device is not None:
            shown = words.device(self.state, device, g, c)
        elif outcome is None:
            return g.idle, Style(color=c.faint)
        elif outcome is Outcome.SILENT:
            return g.silent, Style(color=c.dim)
        else:
            shown = words.outcome(outcome, g, c)
        return shown.sign, Style(color=shown.colour, bold=True)


def _grid(width: int, height: int) -> tuple[int, int]:
    """Addresses a row, and columns an address."""
    for per_row in (20, 25, 30, 40, 50):
        rows = -(-LAST_ADDRESS // per_row)
        if rows <= height:
            pitch = max(1, min(4, width // per_row))
            return (per_row, pitch) if per_row * pitch <= width else (max(1, width), 1)
    return max(1, min(62, width)), 1
