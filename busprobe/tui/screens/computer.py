"""Is this computer ready for the plant room?"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.binding import BindingType

from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import OnHost
from busprobe.tui.screens.sheet import Sheet

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busprobe.tui.session_port import Look


class ComputerScreen(OnHost, Sheet):
    """Terminal, ports, permissions, clock and disk, and how to mend each."""

    SCOPE = Scope.COMPUTER
    SHEET_TITLE = "This computer"
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.COMPUTER, modal=True)
    """Made from the table of actions."""

    help_topic = "computer"

    def __init__(self) -> None:
        super().__init__()
        self._looks: Sequence[Look] | None = None

    def text(self) -> Text:
        """A paragraph for each look; what is to be mended first."""
        c, g = self.colours, self.glyphs
        text = Text("No port is opened by looking.\n", Style(color=c.dim))
        if self._looks is None:
            self._looks = self._app.looks()
        if not self._looks:
            text.append("\nNothing is known of this computer.", Style(color=c.ink))
        for look in sorted(self._looks, key=lambda one: (one.good is not False, one.good is True)):
            shown = {
                True: words.Shown(g.ok, "fine", c.ok),
                False: words.Shown(g.fail, "mend", c.fail),
                None: words.Shown(g.note, "note", c.note),
            }[look.good]
            text.append(f"\n{shown}  ", Style(color=shown.colour, bold=True))
            text.append(f"{words.safe(look.area)}\n", Style(color=c.ink, bold=True))
            self.hang(text, Text(" " * 8), words.safe(look.found), Style(color=c.ink))
            if look.mend:
                lead = Text(f"      {g.right} ", Style(color=c.accent, bold=True))
                self.hang(text, lead, words.told(look.mend), Style(color=c.ink))
        return text

    def action_again(self) -> None:
        """Look again."""
        self._looks = None
        self.refresh_state()
