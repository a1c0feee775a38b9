"""Help for the screen in front: what it is for, in a technician's words, and every key."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import ModalScreen

from busprobe.tui.actions import Scope, actions_in, bindings_for
from busprobe.tui.help_texts import HELP
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose


class HelpScreen(Looks, ModalScreen[None]):
    """Explains the screen it was called from."""

    SCOPE = Scope.HELP
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.HELP, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    HelpScreen { align: center middle; background: $bp-paper 60%; }
    HelpScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 94%;
                        background: $bp-paper; border: round $bp-accent;
                        border-title-color: $bp-ink; border-title-style: bold; }
    HelpScreen #prose { height: auto; padding: 0 1; }
    HelpScreen #prose Static { height: auto; }
    HelpScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "help"

    def __init__(self, topic: str, scope: Scope) -> None:
        super().__init__()
        self.topic = topic
        self.scope = scope

    def compose(self) -> ComposeResult:
        """A sheet over the screen."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "Help"
            with VerticalScroll(id="prose"):
                yield Prose()
            yield KeyLine(Scope.HELP)

    def on_mount(self) -> None:
        """Show the text."""
        self.refresh_state()
        self.query_one("#prose").focus()

    def refresh_state(self) -> None:
        """Show the text in the colours of the theme."""
        self.query_one(Prose).show(self.text())

    def text(self) -> Text:
        """Paragraphs, then keys."""
        c = self.colours
        ink, head = Style(color=c.ink), Style(color=c.accent, bold=True)
        help_text = HELP[self.topic]
        text = Text()
        text.append(help_text.title, head)
        for paragraph in help_text.paragraphs:
            text.append(f"\n\n{paragraph}", ink)
        text.append("\n\nKeys", head)
        for action in actions_in(self.scope, Scope.APP):
            text.append(f"\n {action.key_name:<6}", Style(color=c.accent, bold=True))
            text.append(f"{action.label:<16}", Style(color=c.ink, bold=True))
            text.append(action.help, ink)
        text.append("\n Tab   ", Style(color=c.accent, bold=True))
        text.append(f"{'Next area':<16}", Style(color=c.ink, bold=True))
        text.append("Move between job, lists, fields and findings; Enter opens.", ink)
        return text

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Help on help there is none."""
        return True

    def action_back(self) -> None:
        """Close the help."""
        self.dismiss()
