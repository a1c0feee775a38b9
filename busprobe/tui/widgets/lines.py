"""The three single lines of the frame: title, next step, tour."""

from __future__ import annotations

from rich.cells import cell_len
from rich.style import Style

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.frame_words import request_words
from busprobe.tui.hints import next_hint
from busprobe.tui.tour import Tour
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel


class TitleLine(CanvasPanel):
    """Name, link and settings on the left; what happens on the bus on the right."""

    DEFAULT_CSS = """
    TitleLine { height: 1; background: $bp-raised; }
    """

    def draw(self, canvas: Canvas) -> None:
        """Draw both ends."""
        c, g = self.colours, self.glyphs
        state = self.state
        canvas.write(1, 0, "busprobe", Style(color=c.accent, bold=True))
        x = 11
        if state.endpoint is not None:
            argument = words.safe(state.endpoint.argument)
            canvas.write(x, 0, argument, Style(color=c.ink, bold=True))
            x += cell_len(argument) + 2
            settings = words.line_settings(state)
            canvas.write(x, 0, settings, Style(color=c.dim if state.settings_sought else c.ink))
            x += len(settings)
        text, colour = self._activity()
        if text and x + len(text) + 3 < canvas.width:
            canvas.write(canvas.width - len(text) - 1, 0, text, Style(color=colour))
        elif x + 4 < canvas.width:
            canvas.write(canvas.width - 2, 0, g.running if text else " ", Style(color=colour))

    def _activity(self) -> tuple[str, str]:
        c, g = self.colours, self.glyphs
        state = self.state
        if state.error is not None:
            return f"{g.fail} link lost", c.fail
        if not state.is_open:
            return f"{g.idle} no link", c.dim
        if state.running is None and not state.watched:
            return f"{g.idle} bus at rest, {len(state.exchanges)} exchanges", c.dim
        if not state.exchanges:
            return f"{g.running} on the bus", c.accent
        last = state.exchanges[-1]
        shown = words.outcome(last.outcome, g, c)
        what = request_words(last.request) if self.size.width >= 100 else "asked"
        return f"{what} {g.right} {last.request.address}  {shown}", shown.colour


_HINT = 9


class NextLine(CanvasPanel):
    """What to do next."""

    DEFAULT_CSS = """
    NextLine { height: 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.step = Step.LINK

    def refresh_state(self) -> None:
        """Take a second row for the hint that one does not hold, such as how to mend a port."""
        width = self.size.width
        self.styles.height = min(2, len(self._told(width))) if width else 1
        super().refresh_state()

    def on_resize(self) -> None:
        """What fits a row depends on its width."""
        super().on_resize()
        self.refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw the hint."""
        c, g = self.colours, self.glyphs
        canvas.write(1, 0, f"{g.right} Next:", Style(color=c.accent, bold=True))
        rows = self._told(canvas.width)
        rows[1:] = [words.cut(" ".join(rows[1:]), canvas.width - _HINT - 1, g)]
        for row, text in enumerate(rows):
            canvas.write(_HINT, row, text, Style(color=c.ink))

    def _told(self, width: int) -> list[str]:
        hint = words.told(next_hint(self.state, self.step))
        # One column stays free: text that runs into the edge looks as if it went on behind it.
        return words.wrapped(hint, width - _HINT - 1)


class TourStrip(CanvasPanel):
    """The guided tour; hidden when there is none."""

    DEFAULT_CSS = """
    TourStrip { height: 2; background: $bp-mark; display: none; }
    TourStrip.-on { display: block; }
    """

    def __init__(self, tour: Tour | None, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.tour = tour

    def draw(self, canvas: Canvas) -> None:
        """Draw the present stop."""
        if self.tour is None or self.tour.over:
            return
        c = self.colours
        count = f"{self.tour.position + 1}/{len(self.tour.stops)}"
        canvas.write(1, 0, "Tour", Style(color=c.accent, bold=True))
        canvas.write(1, 1, count, Style(color=c.dim))
        rows = words.wrapped(self.tour.text, canvas.width - 18)
        for row, text in enumerate(rows[:2]):
            canvas.write(7, row, text, Style(color=c.ink))
        canvas.write(canvas.width - 10, 0, "k", Style(color=c.accent, bold=True))
        canvas.write(canvas.width - 8, 0, "ends it", Style(color=c.dim))
