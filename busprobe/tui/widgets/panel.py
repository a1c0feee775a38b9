"""What every panel shares: the look of the app, and a canvas or a list to draw on."""

from __future__ import annotations

from typing import TYPE_CHECKING, cast

from rich.segment import Segment
from rich.style import Style
from rich.text import Text
from textual.strip import Strip
from textual.widget import Widget

from busprobe.tui.glyphs import GLYPHS, GlyphMode, Glyphs
from busprobe.tui.theme import DARK, Colours, colours_of
from busprobe.tui.widgets.canvas import Canvas

if TYPE_CHECKING:
    from busprobe.tui.state import JobState


class Looks:
    """Mixin: the colours and signs in use."""

    @property
    def colours(self) -> Colours:
        """Colours of the theme in use."""
        app = cast(Widget, self).app
        return colours_of(app) if app else DARK

    @property
    def glyphs(self) -> Glyphs:
        """Signs that this terminal can show."""
        return cast(
            Glyphs, getattr(cast(Widget, self).app, "glyphs", GLYPHS[GlyphMode.BRAILLE])
        )

    @property
    def state(self) -> JobState:
        """What is known of the job."""
        return cast("JobState", cast(Widget, self).app.state)  # type: ignore[attr-defined]


class CanvasPanel(Looks, Widget):
    """A panel that draws itself on a canvas, anew whenever it is refreshed."""

    DEFAULT_CSS = """
    CanvasPanel { width: 1fr; height: 1fr; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._drawn: Canvas | None = None

    def draw(self, canvas: Canvas) -> None:
        """Draw the whole picture."""
        raise NotImplementedError

    def refresh_state(self) -> None:
        """Show the state of the job as it is now."""
        self._drawn = None
        self.refresh()

    def notify_style_update(self) -> None:
        """Draw anew when the theme changes."""
        super().notify_style_update()
        self._drawn = None

    def on_resize(self) -> None:
        """Draw anew at the new size."""
        self._drawn = None

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        width, height = self.size
        if self._drawn is None or (self._drawn.width, self._drawn.height) != (width, height):
            self._drawn = Canvas(width, height, self.glyphs.mode)
            if width and height:
                self.draw(self._drawn)
        if y >= height:
            return Strip.blank(width)
        return self._drawn.strip(y).apply_style(self.rich_style)


def text_strip(text: Text, width: int, base: Style) -> Strip:
    """Styled text as one row of exactly `width` cells."""
    line = text.copy()
    line.no_wrap = True
    line.end = ""
    line.truncate(width, overflow="ellipsis", pad=True)
    segments: list[Segment] = []
    plain, spans = line.plain, line.spans
    cuts = sorted({0, len(plain), *(s.start for s in spans), *(s.end for s in spans)})
    own = line.style if isinstance(line.style, Style) else Style.parse(line.style or "")
    for start, end in zip(cuts, cuts[1:], strict=False):
        style = base + own
        for span in spans:
            if span.start <= start and end <= span.end:
                style += span.style if isinstance(span.style, Style) else Style.parse(span.style)
        segments.append(Segment(plain[start:end], style))
    return Strip(segments).adjust_cell_length(width, base)
