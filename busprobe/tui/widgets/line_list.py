"""A list of rows that draws only what is in sight: one frame or a million cost the same."""

from __future__ import annotations

from collections.abc import Iterable
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
        # Rows as they stand on the screen: good for one place and size only.
        self._place: tuple[object, ...] = ()
        self._painted: dict[int, Strip] = {}

    def notify_style_update(self) -> None:
        """Draw anew when the theme changes."""
        super().notify_style_update()
        self._base, self._painted = None, {}

    def entry_count(self) -> int:
        """How many entries there are."""
        raise NotImplementedError

    def entry_rows(self) -> int:
        """Rows that each entry takes."""
        return 1

    def row_of(self, index: int) -> int:
        """The first row of an entry; behind the last one, how many rows there are."""
        return index * self.entry_rows()

    def index_at(self, row: int) -> int:
        """The entry that a row belongs to."""
        return row // self.entry_rows()

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """The rows of one entry."""
        raise NotImplementedError

    def empty_text(self) -> str:
        """What to say when there is no entry."""
        return ""

    def refresh_state(self) -> None:
        """Show the entries as they are now."""
        count = self.entry_count()
        self.virtual_size = Size(self.scrollable_content_region.width, self.row_of(count))
        if (self.follow and count) or (count and self.cursor >= count):
            self.cursor = count - 1
        if self.follow:
            self.scroll_to(y=self.max_scroll_y, animate=False, force=True)
        self._repaint()

    def _repaint(self) -> None:
        """Paint the rows that look different from what stands there."""
        if not self.is_mounted or not self.is_displayed:
            # Once is enough: it is drawn when it comes back.
            if self._painted:
                self._painted = {}
                self.refresh()
            return
        self._forget_elsewhere()
        painted = self._painted
        if not painted:
            self.refresh()
            return
        changed = [y for y, strip in self._rows(painted).items() if strip != painted[y]]
        if changed:
            width = self.size.width
            self.refresh(*(Region(0, y, width, 1) for y in changed))

    def on_resize(self) -> None:
        """Lay out anew."""
        self.refresh_state()

    def render_line(self, y: int) -> Strip:
        """One row in sight."""
        self._forget_elsewhere()
        strip = self._painted[y] = self._rows((y,))[y]
        return strip

    def _forget_elsewhere(self) -> None:
        """Forget what was painted where anything but the entries has changed since."""
        size = self.scrollable_content_region.size
        place = (size, self.scroll_offset.y, self.cursor, self.has_focus)
        if place != self._place:
            self._place, self._painted = place, {}

    def _rows(self, wanted: Iterable[int]) -> dict[int, Strip]:
        """Rows in sight as they look now."""
        width = self.scrollable_content_region.width
        if self._base is None:
            self._base = self.rich_style
        count, top = self.entry_count(), self.scroll_offset.y
        drawn: dict[int, Strip] = {}
        entry, lines = -1, list[Text]()
        for y in wanted:
            base, index = self._base, self.index_at(y + top)
            if count == 0:
                text = Text(self.empty_text() if y == 0 else "", Style(color=self.colours.dim))
                drawn[y] = text_strip(text, width, base, self.glyphs)
                continue
            if index >= count:
                drawn[y] = Strip.blank(width, base)
                continue
            if index == self.cursor:
                base += Style(bgcolor=self.colours.mark if self.has_focus else self.colours.raised)
            if index != entry:
                entry, lines = index, self.entry_lines(index, width)
            row = y + top - self.row_of(index)
            text = lines[row] if row < len(lines) else Text()
            drawn[y] = text_strip(text, width, base, self.glyphs)
        return drawn

    def watch_cursor(self, old: int, new: int) -> None:
        """Keep the marked entry in sight and tell of it."""
        if not self.follow and self.is_mounted:
            top, below = self.row_of(new), self.row_of(new + 1)
            self.scroll_to_region(
                Region(0, top, 1, below - top), animate=False, force=True, x_axis=False
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
        index = self.index_at(offset.y + self.scroll_offset.y)
        if not 0 <= index < self.entry_count():
            return
        again = index == self.cursor
        self.follow = False
        self.cursor = index
        if again or event.chain > 1:
            self.action_choose()

    def on_mouse_scroll_up(self) -> None:
        """Whoever turns the wheel back wants to read: new entries must not pull the list away."""
        self.follow = False

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
