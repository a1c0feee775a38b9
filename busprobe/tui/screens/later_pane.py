"""Steps that are not built yet, and what to do meanwhile."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.help_texts import HELP
from busprobe.tui.widgets.panel import Looks, Prose


class LaterPane(Looks, Vertical):
    """Says honestly that there is nothing here."""

    DEFAULT_CSS = """
    LaterPane { height: 1fr; padding: 1 2; }
    LaterPane Static { height: auto; }
    """

    def __init__(self, step: Step) -> None:
        super().__init__(id=f"pane-{step}")
        self.step = step

    def compose(self) -> ComposeResult:
        """One text."""
        yield Prose()

    def on_mount(self) -> None:
        """Show the text."""
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the text in the colours of the theme."""
        c, g = self.colours, self.glyphs
        text = Text()
        text.append(
            f"{g.absent} {words.STEP_TITLES[self.step]}: ", Style(color=c.accent, bold=True)
        )
        text.append("not in this version\n\n", Style(color=c.warn, bold=True))
        text.append("\n\n".join(HELP[self.step].paragraphs), Style(color=c.ink))
        self.query_one(Prose).show(text)
