"""What the technician is asked to do with their hands."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Vertical

from busprobe.diagnosis.catalogue import CAUTION_LOAD
from busprobe.tui import words
from busprobe.tui.actions import Scope
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose


class PromptCard(Looks, Vertical):
    """Request, caution, and the keys that answer it."""

    DEFAULT_CSS = """
    PromptCard { height: auto; background: $bp-mark; padding: 0 1; display: none; }
    PromptCard.-on { display: block; }
    PromptCard Static { height: auto; }
    PromptCard KeyLine { dock: none; height: 1; background: $bp-mark; }
    """

    def compose(self) -> ComposeResult:
        """Request, caution, answers."""
        yield Prose()
        yield KeyLine(Scope.WORK, only=("answer", "let_hands"))

    def refresh_state(self) -> None:
        """Show the request, if there is one."""
        c, g = self.colours, self.glyphs
        prompt = self.state.prompt
        self.set_class(prompt is not None, "-on")
        if prompt is None:
            return
        text = Text()
        text.append(f"{g.right} {words.safe(prompt.request)}", Style(color=c.ink, bold=True))
        if prompt.phase:
            text.append(f"\n{g.warn} Caution: {CAUTION_LOAD}", Style(color=c.warn))
        self.query_one(Prose).show(text)
        self.query_one(KeyLine).refresh_state()
