"""Help for the screen in front: what it is for, in a technician's words, and every key."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.binding import BindingType

from busprobe.tui.actions import Scope, actions_in, bindings_for
from busprobe.tui.help_texts import HELP
from busprobe.tui.screens.sheet import Sheet
from busprobe.tui.widgets.key_line import is_possible_on

_Row = tuple[str, str, str]
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
        now, later = self._keys()
        for title, rows in (("Keys", now), ("Keys that work at other times", later)):
            if rows:
                text.append(f"\n\n{title}\n" if rows is now else f"\n{title}\n", head)
            for key, label, explained in rows:
                lead = Text(f" {key:<6}", Style(color=c.accent, bold=True))
                lead.append(f"{label:<16}", Style(color=c.ink, bold=True))
                self.hang(text, lead, explained, ink)
        return text

    def _keys(self) -> tuple[list[_Row], list[_Row]]:
        """Keys that do something on the screen below as it stands, and those that do not now."""
        stack = self.app.screen_stack
        below = stack[stack.index(self) - 1] if self in stack else stack[-1]
        now: list[_Row] = []
        later: list[_Row] = []
        for action in actions_in(self.scope, Scope.APP):
            target = self.app if action.scope is Scope.APP else below
            works = action.name == "help" or is_possible_on(target, action)
            (now if works else later).append((action.key_name, action.label, action.help))
        now.append(("Tab", "Next area", _TAB))
        return now, later

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Help on help there is none."""
        return True
