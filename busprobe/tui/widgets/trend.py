"""Power over time, with the switchings that were asked for."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from rich.style import Style

from busprobe.model.reading import PHASES, Snapshot
from busprobe.tui import words
from busprobe.tui.glyphs import GlyphMode
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import WiringDiagnosis

_AXIS = 8
# At the right, for the names of the curves: colour alone does not tell them.
_NAMES = 3
_SHORTEST_SPAN_S = 10.0
# Live values show the last minutes; a wiring check shows itself from its start.
LIVE_WINDOW_S = 300.0


class TrendPicture(CanvasPanel):
    """Active power of each phase of the selected meter."""

    DEFAULT_CSS = """
    TrendPicture { min-height: 5; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.since_s: float | None = None
        self.diagnosis: WiringDiagnosis | None = None

    def draw(self, canvas: Canvas) -> None:
        """Draw axes, lines and switchings."""
        c = self.colours
        state = self.state
        trend = self._window(state.trends.get(state.selected or -1, ()))
        if len(trend) < 2:
            text = "No trend yet: w reads live values and draws it."
            canvas.write(1, 0, text, Style(color=c.dim))
            return
        phases = [p for p in PHASES if any(f"P_{p}" in s.quantities for s in trend)]
        values = [s.quantities[f"P_{p}"] for s in trend for p in phases if f"P_{p}" in s.quantities]
        if not values:
            canvas.write(1, 0, "This meter reports no power per phase.", Style(color=c.dim))
            return
        low, high, tick = nice_range(min(*values, 0.0), max(*values, 0.0), canvas.height - 3)
        start = trend[0].t_ns / 1e9
        span = max(trend[-1].t_ns / 1e9 - start, _SHORTEST_SPAN_S)
        plot = _Plot(canvas, low, high, start, span, phases)
        self._axes(plot, tick)
        self._marks(plot)
        for phase in phases:
            self._series(plot, trend, phase)
        self._seen_steps(plot)
        self._names(plot, trend)

    def _window(self, trend: Iterable[Snapshot]) -> list[Snapshot]:
        """The part of the trend that is shown."""
        kept = list(trend)
        if not kept:
            return kept
        since = self.since_s
        if since is None:
            since = kept[-1].t_ns / 1e9 - LIVE_WINDOW_S
        return [s for s in kept if s.t_ns / 1e9 >= since]

    def _axes(self, plot: _Plot, tick: float) -> None:
        c = self.colours
        canvas = plot.canvas
        dim, faint = Style(color=c.dim), Style(color=c.faint)
        largest = max(abs(plot.low), abs(plot.high))
        unit, scale = ("kW", 1000.0) if largest >= 2000 else ("W", 1.0)
        decimals = next(n for n in range(3) if n == 2 or (tick / scale * 10**n) % 1 < 1e-6)
        level = math.ceil(plot.low / tick - 1e-6) * tick
        while level <= plot.high + tick * 1e-6:
            row = math.floor(plot.y(level) / canvas.dots_y)
            label = f"{level / scale:.{decimals}f}".replace("-", self.glyphs.minus)
            label = f"0 {unit}" if abs(level) < tick / 2 else label
            canvas.write(_AXIS - 2 - len(label), row, label, dim)
            # Coarse dots would drown the curves: there only the zero line is drawn.
            if canvas.mode is not GlyphMode.BRAILLE and abs(level) > tick / 2:
                level += tick
                continue
            for x in range(plot.x0, plot.x1 + 1, 4 if abs(level) > tick / 2 else 2):
                canvas.dot(x, plot.y(level), faint, 0)
            level += tick
        bottom = canvas.height - 1
        live = self.since_s is None
        start = f"-{plot.span:.0f} s" if live else "0 s"
        canvas.write(_AXIS - 1, bottom, start, dim)
        end = "now" if live else f"{plot.span:.0f} s"
        canvas.write(canvas.width - len(end), bottom, end, dim)
        first, last = _AXIS + len(start), canvas.width - len(end) - 1
        column, names = legend(plot.phases, first, last, (_AXIS + canvas.width) // 2 - 6)
        for phase, name in zip(plot.phases, names, strict=True):
            canvas.write(column, bottom, name, Style(color=c.phase(phase), bold=True))
            column += len(name) + 2

    def _marks(self, plot: _Plot) -> None:
        c, g = self.colours, self.glyphs
        canvas = plot.canvas
        style = Style(color=c.accent)
        state = self.state
        if state.selected != state.wiring_address:
            return
        placed = [
            (int(plot.x(mark.t_s)) // canvas.dots_x, mark)
            for mark in state.marks
            if plot.start <= mark.t_s <= plot.start + plot.span
        ]
        ends = [column for column, _ in placed[1:]] + [canvas.width - _NAMES]
        for (column, mark), end in zip(placed, ends, strict=False):
            for row in range(canvas.height - 1):
                canvas.write(column, row, g.dotted, style)
            phase, switched = words.safe(mark.phase), "on" if mark.on else "off"
            for label in (f"{phase} {switched}".strip(), switched):
                if column + 1 + len(label) <= end:
                    canvas.write(column + 1, 0, label, style)
                    break

    def _seen_steps(self, plot: _Plot) -> None:
        """What the meter made of each switching: the largest step, beside the curve."""
        if self.diagnosis is None or self.since_s is None:
            return
        canvas = plot.canvas
        free_from = 0
        for step in self.diagnosis.steps:
            if not step.dp_w:
                continue
            index = max(range(len(step.dp_w)), key=lambda i: abs(step.dp_w[i]))
            size = words.number(step.dp_w[index], 0, self.glyphs)
            sign = "+" if step.dp_w[index] > 0 else ""
            column = int(plot.x(self.since_s + step.t_s)) // canvas.dots_x + 1
            if free_from <= column and column + len(size) + 1 < canvas.width - _NAMES:
                free_from = column + len(size) + 2
                style = Style(color=self.colours.phase(PHASES[index]), bold=True)
                canvas.write(column, canvas.height - 2, f"{sign}{size}", style)

    def _series(self, plot: _Plot, trend: Sequence[Snapshot], phase: str) -> None:
        style = Style(color=self.colours.phase(phase))
        last: tuple[float, float] | None = None
        for snapshot in trend:
            value = snapshot.quantities.get(f"P_{phase}")
            if value is None:
                last = None
                continue
            here = (plot.x(snapshot.t_ns / 1e9), plot.y(value))
            # A held value then a jump: a reading says nothing of the time between two polls.
            if last is None:
                plot.canvas.dot(*here, style, 2)
            else:
                plot.canvas.line(*last, here[0], last[1], style, priority=2)
                plot.canvas.line(here[0], last[1], *here, style, priority=2)
            last = here

    def _names(self, plot: _Plot, trend: Sequence[Snapshot]) -> None:
        """Each phase beside the end of its curve, one below the other where curves meet."""
        ends = {
            phase: next(
                s.quantities[f"P_{phase}"] for s in reversed(trend) if f"P_{phase}" in s.quantities
            )
            for phase in plot.phases
        }
        canvas = plot.canvas
        rows = name_rows(
            [math.floor(plot.y(ends[phase]) / canvas.dots_y) for phase in plot.phases],
            canvas.height - 1,
        )
        for phase, row in zip(plot.phases, rows, strict=True):
            style = Style(color=self.colours.phase(phase), bold=True)
            canvas.write(canvas.width - len(phase), row, phase, style)


class _Plot:
    """Where values land on the canvas."""

    def __init__(
        self,
        canvas: Canvas,
        low: float,
        high: float,
        start: float,
        span: float,
        phases: Sequence[str],
    ) -> None:
        self.canvas, self.low, self.high, self.phases = canvas, low, high, phases
        self.start, self.span = start, span
        self.x0 = _AXIS * canvas.dots_x
        self.x1 = (canvas.width - _NAMES) * canvas.dots_x - 1
        # The middle of the second row, below the labels of the switchings, and of the last but one.
        self._top = 1.5 * canvas.dots_y
        self._bottom = (canvas.height - 1.5) * canvas.dots_y

    def x(self, t_s: float) -> float:
        """Dot column of a time."""
        return self.x0 + (t_s - self.start) / self.span * (self.x1 - self.x0)

    def y(self, value: float) -> float:
        """Dot row of a value."""
        share = (value - self.low) / (self.high - self.low)
        return self._bottom - share * (self._bottom - self._top)


def nice_range(low: float, high: float, rows: int) -> tuple[float, float, float]:
    """A range of round numbers that holds both values, and the distance of its ticks.

    Every tick falls onto the middle of a row, so that labels and grid are evenly spaced.

    Args:
        low: Lowest value, not above zero.
        high: Highest value, not below zero.
        rows: Rows between the first and the last one that values may reach.

    Returns:
        The value at the lowest row, the value at the highest one, and the tick.
    """
    rows = max(2, rows)
    best: tuple[float, float, float] | None = None
    span = max(high - low, 10.0)
    power = 10.0 ** math.floor(math.log10(span / rows))
    # Rows from tick to tick; the tightest picture of those that hold everything is chosen.
    for step in (3, 4, 2, 5) if rows >= 6 else (1, 2, 3):
        for tick in (power * m for m in (1, 2, 2.5, 5, 10, 20, 25, 50, 100)):
            below = math.ceil(max(0.0, -low * 1.02) / tick * step)
            top = (rows - below) * tick / step
            if below < rows and top >= high * 1.02:
                found = (-below * tick / step, top, tick)
                if best is None or found[1] - found[0] < best[1] - best[0]:
                    best = found
                break
    if best is None:
        return low, high, span
    return best


def legend(
    phases: Sequence[str], first: int, last: int, wanted: int
) -> tuple[int, tuple[str, ...]]:
    """Where the names of the curves begin, and the names, so that they touch no end of the axis.

    Args:
        phases: The phases drawn.
        first: First free column.
        last: First column that is taken again.
        wanted: Where they begin if there is room.
    """
    for names in (tuple(f"P {phase}" for phase in phases), tuple(phases)):
        width = sum(len(name) + 2 for name in names) - 2
        if width <= last - first:
            break
    return max(first, min(wanted, last - width)), names


def name_rows(wanted: Sequence[int], height: int) -> list[int]:
    """Rows for names, each near the row it wants and none on another, in the order of the rows.

    Args:
        wanted: The row of each.
        height: Rows that there are; at least as many as names.
    """
    placed = [0] * len(wanted)
    below = -1
    order = sorted(range(len(wanted)), key=lambda i: (wanted[i], i))
    for place, i in enumerate(order):
        below = max(below + 1, min(wanted[i], height - len(order) + place))
        placed[i] = below
    return placed
