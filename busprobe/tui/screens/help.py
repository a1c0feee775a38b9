"""Help for the screen in front: what it is for, in a technician's words, and every key."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.binding import BindingType

from busprobe.tui.actions import Scope, actions_in, bindings_for
from busprobe.tui.help_texts import HELP
from busprobe.tui.screens.sheet import Sheet

_TAB = "Move between job, lists, fields and findings; Enter opens."


class HelpScreen(Sheet):
    """Explains the screen it was called from."""

    SCOPE = Scope.HELP
    SHEET_TITLE = "Help"
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.HELP, modal=True)
    """Made from the table of actions."""

    help_topic = "help"

    def __init__(self, topic: str, scope: Scope) -> None:
        super().__init__()
        self.topic = topic
        self.scope = scope

    def text(self) -> Text:
        """Paragraphs, then keys."""
        c = self.colours
        ink, head = Style(color=c.ink), Style(color=c.accent, bold=True)
        help_text = HELP[self.topic]
        text = Text()
        text.append(help_text.title, head)
        for paragraph in help_text.paragraphs:
            text.append(f"\n\n{paragraph}", ink)
        text.append("\n\nKeys\n", head)
        rows = [(a.key_name, a.label, a.help) for a in actions_in(self.scope, Scope.APP)]
        rows.append(("Tab", "Next area", _TAB))
        for key, label, explained in rows:
            lead = Text(f" {key:<6}", Style(color=c.accent, bold=True))
            lead.append(f"{label:<16}", Style(color=c.ink, bold=True))
            self.hang(text, lead, explained, ink)
        return text

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Help on help there is none."""
        return True
