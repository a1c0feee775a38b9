"""A list of rows that draws only what is in sight: one frame or a million cost the same."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual import events
from textual.binding import Binding, BindingType
from textual.geometry import Region, Size
from textual.message import Message
from textual.reactive import reactive
from textual.scroll_view import ScrollView
from textual.strip import Strip

from busprobe.tui.widgets.panel import Looks, text_strip


class LineList(Looks, ScrollView, can_focus=True):
    """Rows to move through and to choose from.

    A subclass says how many entries there are and how each looks.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Up", show=False),
        Binding("down", "move(1)", "Down", show=False),
        Binding("pageup", "move_page(-1)", "Page up", show=False),
        Binding("pagedown", "move_page(1)", "Page down", show=False),
        Binding("home", "move_to_end(False)", "First", show=False),
        Binding("end", "move_to_end(True)", "Last", show=False),
        Binding("enter", "choose", "Open", show=False),
    ]
    """
    | key | what it does |
    | :- | :- |
    | up, down | move by one |
    | page up, page down | move by one screenful |
    | home, end | first, last |
    | enter | open or choose |
    """

    DEFAULT_CSS = """
    LineList { height: 1fr; scrollbar-size-vertical: 1; overflow-x: hidden; }
    """

    cursor = reactive(0, repaint=False)
    """Which entry is marked."""

    class Moved(Message):
        """The mark moved to another entry."""

        def __init__(self, control: LineList, index: int) -> None:
            super().__init__()
            self._control = control
            self.index = index

        @property
        def control(self) -> LineList:
            """The list."""
            return self._control

    class Chosen(Moved):
        """An entry was opened or chosen."""

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self.follow = False
        self._base: Style | None = None

    def notify_style_update(self) -> None:
        """Draw anew when the theme changes."""
        super().notify_style_update()
        self._base = None

    def entry_count(self) -> int:
        """How many entries there are."""
        raise NotImplementedError

    def entry_rows(self) -> int:
        """Rows that each entry takes."""
        return 1

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """The rows of one entry."""
        raise NotImplementedError

    def empty_text(self) -> str:
        """What to say when there is no entry."""
        return ""

    def refresh_state(self) -> None:
        """Show the entries as they are now."""
        count = self.entry_count()
        self.virtual_size = Size(self.scrollable_content_region.width, count * self.entry_rows())
        if (self.follow and count) or (count and self.cursor >= count):
            self.cursor = count - 1
        if self.follow:
            self.scroll_to(y=self.max_scroll_y, animate=False, force=True)
        self.refresh()

    def on_resize(self) -> None:
        """Lay out anew."""
        self.refresh_state()

    def render_line(self, y: int) -> Strip:
        """One row in sight."""
        width = self.scrollable_content_region.width
        if self._base is None:
            self._base = self.rich_style
        base = self._base
        count, rows = self.entry_count(), self.entry_rows()
        row = y + self.scroll_offset.y
        index = row // rows
        if count == 0:
            line = self.empty_text() if y == 0 else ""
            return text_strip(Text(line, Style(color=self.colours.dim)), width, base, self.glyphs)
        if index >= count:
            return Strip.blank(width, base)
        if index == self.cursor:
            ground = self.colours.mark if self.has_focus else self.colours.raised
            base = base + Style(bgcolor=ground)
        lines = self.entry_lines(index, width)
        text = lines[row % rows] if row % rows < len(lines) else Text()
        return text_strip(text, width, base, self.glyphs)

    def watch_cursor(self, old: int, new: int) -> None:
        """Keep the marked entry in sight and tell of it."""
        rows = self.entry_rows()
        if not self.follow and self.is_mounted:
            self.scroll_to_region(
                Region(0, new * rows, 1, rows), animate=False, force=True, x_axis=False
            )
        self.refresh()
        if old != new:
            self.post_message(self.Moved(self, new))

    def watch_has_focus(self, value: bool) -> None:
        """Show where the keys go."""
        super().watch_has_focus(value)
        self.refresh()

    def on_click(self, event: events.Click) -> None:
        """A click marks an entry; a click on the marked entry opens it."""
        # Rows are counted below a border.
        offset = event.get_content_offset(self)
        if offset is None:
            return
        index = (offset.y + self.scroll_offset.y) // self.entry_rows()
        if not 0 <= index < self.entry_count():
            return
        again = index == self.cursor
        self.follow = False
        self.cursor = index
        if again or event.chain > 1:
            self.action_choose()

    def action_move(self, by: int) -> None:
        """Move the mark by so many entries."""
        count = self.entry_count()
        if count:
            self.follow = False
            self.cursor = min(count - 1, max(0, self.cursor + by))

    def action_move_page(self, pages: int) -> None:
        """Move the mark by so many screenfuls."""
        self.action_move(pages * max(1, self.size.height // self.entry_rows() - 1))

    def action_move_to_end(self, last: bool) -> None:
        """Move the mark to the first or the last entry."""
        self.action_move(self.entry_count() if last else -self.entry_count())

    def action_choose(self) -> None:
        """Open the marked entry."""
        if self.entry_count():
            self.post_message(self.Chosen(self, self.cursor))
