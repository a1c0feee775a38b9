"""What every panel shares: the look of the app, and a canvas or a list to draw on."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, TypeVar, cast

from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from rich.text import Text
from textual.content import Content
from textual.dom import DOMNode
from textual.geometry import Region, Size
from textual.screen import Screen
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Static

from busprobe.tui.glyphs import GLYPHS, GlyphMode, Glyphs
from busprobe.tui.theme import DARK, Colours, colours_of
from busprobe.tui.widgets.canvas import Canvas

if TYPE_CHECKING:
    from busprobe.tui.state import JobState

WidgetT = TypeVar("WidgetT", bound=Widget)


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
        return cast(Glyphs, getattr(cast(Widget, self).app, "glyphs", GLYPHS[GlyphMode.BRAILLE]))

    @property
    def state(self) -> JobState:
        """What is known of the job."""
        return cast("JobState", cast(Widget, self).app.state)  # type: ignore[attr-defined]

    @property
    def is_displayed(self) -> bool:
        """Whether neither this nor anything it lies in is hidden.

        What is hidden and refreshed nevertheless has the whole screen laid out again.
        """
        node: DOMNode | None = cast(Widget, self)
        while node is not None and not isinstance(node, Screen):
            if not node.display:
                return False
            node = node.parent
        return True


def section(widget: WidgetT, title: str) -> WidgetT:
    """Make a widget a section: where there is room it gets a rule with its title on top."""
    widget.add_class("section")
    widget.border_title = Content(title)
    return widget


class CanvasPanel(Looks, Widget):
    """A panel that draws itself on a canvas, anew whenever it is refreshed."""

    DEFAULT_CSS = """
    CanvasPanel { width: 1fr; height: 1fr; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._drawn: Canvas | None = None
        self._base: Style | None = None
        self._rows_wished = 0

    def draw(self, canvas: Canvas) -> None:
        """Draw the whole picture."""
        raise NotImplementedError

    def rows_wished(self) -> int:
        """Rows that hold everything, where the style sheet says ``height: auto``."""
        return 1

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As many rows as the picture needs."""
        return max(1, self.rows_wished())

    def refresh_state(self) -> None:
        """Show the state of the job as it is now; rows that look the same are not painted again."""
        before, wished = self._drawn, self._rows_wished
        if self.styles.is_auto_height:
            self._rows_wished = self.rows_wished()
        if not self.is_mounted or not self.is_displayed:
            self._drawn = None
            # Once is enough: it is drawn and measured when it comes back.
            if before is not None or wished != self._rows_wished:
                self.refresh()
            return
        if self.styles.is_auto_height and self._rows_wished != self.content_size.height:
            self.refresh(layout=True)
        self._drawn = None
        if before is None:
            self.refresh()
            return
        changed = self._draw_anew().rows_unlike(before)
        if changed is None:
            self.refresh()
        elif changed:
            width = self.size.width
            self.refresh(*(Region(0, row, width, 1) for row in changed))

    def notify_style_update(self) -> None:
        """Draw anew when the theme changes."""
        super().notify_style_update()
        self._drawn = self._base = None

    def on_resize(self) -> None:
        """Draw anew at the new size."""
        self._drawn = None

    def render_line(self, y: int) -> Strip:
        """One row of the picture."""
        width, height = self.size
        drawn = self._drawn
        if drawn is None or (drawn.width, drawn.height) != (width, height):
            drawn = self._draw_anew()
        if y >= height:
            return Strip.blank(width)
        if self._base is None:
            self._base = self.rich_style
        return drawn.strip(y).apply_style(self._base)

    def _draw_anew(self) -> Canvas:
        width, height = self.size
        self._drawn = canvas = Canvas(width, height, self.glyphs.mode)
        if width and height:
            self.draw(canvas)
        return canvas


class Prose(Looks, Static):
    """Running text; markup in it stays text."""

    DEFAULT_CSS = """
    Prose { height: auto; }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__("", id=id, classes=classes, markup=False)
        self._shown: Text | None = None

    @property
    def is_empty(self) -> bool:
        """Whether it shows nothing."""
        return not self._shown

    def show(self, text: Text) -> None:
        """Show this text; the same text again lays nothing out anew."""
        before, self._shown = self._shown, text
        if before is None or before != text or before.spans != text.spans:
            self.update(plain_text(text, self.glyphs))


def plain_text(text: Text, glyphs: Glyphs) -> Text:
    """The same text in the characters that these signs stand for."""
    if text.plain.isascii() or glyphs.mode is GlyphMode.BRAILLE:
        return text
    pieces = (text[i : i + 1] for i in range(len(text)))
    return Text().join(
        Text(glyphs.plain(piece.plain), piece.spans[-1].style if piece.spans else "")
        for piece in pieces
    )


def text_strip(text: Text, width: int, base: Style, glyphs: Glyphs) -> Strip:
    """Styled text as one row of exactly `width` cells."""
    line = plain_text(text, glyphs).copy()
    line.no_wrap = True
    line.end = ""
    if cell_len(line.plain) > width:
        line.truncate(max(0, width - 1), overflow="crop")
        line.append(glyphs.ellipsis)
    line.pad_right(max(0, width - cell_len(line.plain)))
    segments: list[Segment] = []
    plain, spans = line.plain, line.spans
    cuts = sorted({0, len(plain), *(s.start for s in spans), *(s.end for s in spans)})
    own = line.style if isinstance(line.style, Style) else Style.parse(line.style or "")
    for start, end in pairwise(cuts):
        style = base + own
        for span in spans:
            if span.start <= start and end <= span.end:
                style += span.style if isinstance(span.style, Style) else Style.parse(span.style)
        segments.append(Segment(plain[start:end], style))
    return Strip(segments).adjust_cell_length(width, base)
