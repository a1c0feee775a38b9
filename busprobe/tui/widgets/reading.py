"""What is to be read on a sheet: as tall as its text, and scrolled where the window is lower."""

from __future__ import annotations

from textual import events
from textual.containers import VerticalScroll
from textual.css.scalar import Scalar, Unit
from textual.geometry import Size
from textual.widget import Widget


class Reading(VerticalScroll):
    """A part of a sheet that takes the rows its text needs, up to those the sheet has left.

    A style sheet cannot say this: within a sheet as tall as its content, ``height: auto`` takes all
    rows, so that the last of them lie below the border with nothing to scroll, and ``1fr`` takes
    none.
    """

    DEFAULT_CSS = """
    Reading { height: auto; scrollbar-size-vertical: 1; }
    """

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        """As many rows as the text needs, or as there are."""
        wanted = super().get_content_height(container, viewport, width)
        sheet = self.parent
        if not isinstance(sheet, Widget) or sheet.styles.max_height is None:
            return wanted
        left = _rows(sheet.styles.max_height, container, viewport, viewport.height)
        left -= sheet.gutter.height + self.gutter.height
        for beside in sheet.children:
            if beside is not self and beside.display:
                left -= _taken(beside, container, viewport, width + self.gutter.width)
        return max(1, min(wanted, left))

    def turns_page(self, event: events.Key) -> bool:
        """Scroll by a page, also while a field beside it has the keys; False for any other key."""
        if event.key == "pagedown":
            self.scroll_page_down(animate=False)
        elif event.key == "pageup":
            self.scroll_page_up(animate=False)
        else:
            return False
        event.stop()
        return True


def _rows(length: Scalar, container: Size, viewport: Size, otherwise: int) -> int:
    """A length of the style sheet [rows]; parts are those of the whole window."""
    if length.unit in (Unit.AUTO, Unit.FRACTION):
        return otherwise
    return int(length.resolve(viewport, viewport))


def _taken(beside: Widget, container: Size, viewport: Size, width: int) -> int:
    """Rows that a neighbour takes on a sheet of this width, with what surrounds it."""
    styles = beside.styles
    natural = 0
    if styles.is_auto_height:
        inner = max(1, width - beside.gutter.width)
        natural = beside.get_content_height(container, viewport, inner) + beside.gutter.height
    rows = natural if styles.height is None else _rows(styles.height, container, viewport, natural)
    if styles.min_height is not None:
        rows = max(rows, _rows(styles.min_height, container, viewport, rows))
    if styles.max_height is not None:
        rows = min(rows, _rows(styles.max_height, container, viewport, rows))
    return rows + styles.margin.height
