"""A soak over time: when each address failed."""

from __future__ import annotations

from itertools import pairwise

from rich.style import Style

from busprobe.tui import words
from busprobe.tui.state import SoakPoint
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

_LABEL = 6
_TOTAL = 18
# Shares of failed exchanges within a column from which a mark grows.
_SOME, _MANY = 0.0, 0.1


class SoakPicture(CanvasPanel):
    """A lane for each address; time runs to the right."""

    DEFAULT_CSS = """
    SoakPicture { height: auto; min-height: 3; }
    """

    def rows_wished(self) -> int:
        """A row for each address, and the axis."""
        return (len(self.state.soak[-1].counts) if self.state.soak else 0) + 1

    def draw(self, canvas: Canvas) -> None:
        """Draw lanes and the axis."""
        c, g = self.colours, self.glyphs
        dim = Style(color=c.dim)
        soak = self.state.soak
        if len(soak) < 2:
            canvas.write(0, 0, "A soak draws here when errors happened: choose how long.", dim)
            return
        width = canvas.width - _LABEL - _TOTAL
        span = max(soak[-1].seconds, 1.0)
        addresses = sorted(soak[-1].counts)
        shown = addresses[: max(1, canvas.height - 1)]
        for row, address in enumerate(shown):
            canvas.write(0, row, f"{address:>4}", Style(color=c.accent, bold=True))
            canvas.write(_LABEL, row, g.idle * width, Style(color=c.faint))
            for column, share in columns(soak, address, width, span).items():
                if share > _SOME:
                    sign = g.bar[0] if share > _MANY else g.lane_down
                    colour = c.fail if share > _MANY else c.warn
                    canvas.write(_LABEL + column, row, sign, Style(color=colour))
            asked, failed = soak[-1].counts[address]
            total = f"{words.number(failed, 0, g)} of {words.number(asked, 0, g)}"
            colour = c.warn if failed else c.ok
            canvas.write(canvas.width - len(total), row, total, Style(color=colour))
        bottom = len(shown)
        canvas.write(_LABEL, bottom, "0", dim)
        end = words.duration(span)
        canvas.write(_LABEL + width - len(end), bottom, end, dim)
        middle = f"{g.lane_down} failed   {g.bar[0]} more than a tenth failed"
        canvas.write(_LABEL + max(3, (width - len(middle)) // 2), bottom, middle, dim)


def columns(soak: list[SoakPoint], address: int, width: int, span: float) -> dict[int, float]:
    """Share of failed exchanges within each column of the picture.

    Args:
        soak: Counts over time, rising.
        address: Whose.
        width: Columns.
        span: Seconds across all columns.
    """
    asked: dict[int, list[int]] = {}
    for before, after in pairwise(soak):
        old, new = before.counts.get(address, (0, 0)), after.counts.get(address, (0, 0))
        column = min(width - 1, int(after.seconds / span * width))
        counted = asked.setdefault(column, [0, 0])
        counted[0] += new[0] - old[0]
        counted[1] += new[1] - old[1]
    return {column: bad / all_ for column, (all_, bad) in asked.items() if all_ > 0}
