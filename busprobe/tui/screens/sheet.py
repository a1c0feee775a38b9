"""A sheet over the screen: a title, something to read, and the keys that work there."""

from __future__ import annotations

from rich.cells import cell_len
from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.containers import Vertical
from textual.screen import ModalScreen

from busprobe.tui import words
from busprobe.tui.actions import Scope
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading


class Sheet(Looks, ModalScreen[None]):
    """What every sheet shares; a subclass says what stands on it."""

    SCOPE = Scope.HELP
    SHEET_TITLE = ""
    FIRST = "#prose"
    """Where the keys go at first."""

    DEFAULT_CSS = """
    Sheet { align: center middle; background: $bp-paper 60%; }
    Sheet #sheet { width: 90%; max-width: 110; height: auto; max-height: 94%;
                   background: $bp-paper; border: round $bp-accent;
                   border-title-color: $bp-ink; border-title-style: bold; }
    Sheet #prose { padding: 0 1; }
    Sheet #prose Static { height: auto; }
    Sheet KeyLine { dock: bottom; height: 1; }
    """

    def compose(self) -> ComposeResult:
        """Title, head, prose, what else belongs to it, keys."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = self.SHEET_TITLE
            yield from self.head()
            with Reading(id="prose"):
                yield Prose()
                yield from self.more()
            yield KeyLine(self.SCOPE)

    def head(self) -> ComposeResult:
        """What stays in sight above the prose."""
        yield from ()

    def more(self) -> ComposeResult:
        """What follows the prose."""
        yield from ()

    def on_mount(self) -> None:
        """Show the text."""
        self.refresh_state()
        self.query_one(self.FIRST).focus()

    def on_key(self, event: events.Key) -> None:
        """What is to be read is scrolled by pages, also from a field."""
        self.query_one("#prose", Reading).turns_page(event)

    def refresh_state(self) -> None:
        """Show the text in the colours of the theme."""
        self.query_one(Prose).show(self.text())
        self.query_one(KeyLine).refresh_state()

    def text(self) -> Text:
        """What is to be read."""
        raise NotImplementedError

    @property
    def columns(self) -> int:
        """Columns that a row of the prose may take."""
        return self.query_one(Prose).content_size.width or min(
            100, self.app.size.width * 9 // 10 - 6
        )

    def hang(self, text: Text, lead: Text, body: str, style: Style) -> None:
        """Append rows of text behind a lead, all of them as far in as the first."""
        room = self.columns - cell_len(lead.plain)
        for number, row in enumerate(words.wrapped(body, room)):
            text.append_text(lead if number == 0 else Text(" " * cell_len(lead.plain)))
            text.append(f"{row}\n", style)

    def on_resize(self) -> None:
        """Wrap anew."""
        self.refresh_state()

    def action_back(self) -> None:
        """Close the sheet."""
        self.dismiss()
