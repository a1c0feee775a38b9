"""Leaving while something is written: first to a safe point, then how things stand, then out."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import OnHost
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

_LOOK_EVERY_S = 0.1


class LeavingScreen(OnHost, Looks, ModalScreen[None]):
    """Waits until a change has come to its end, and leaves only after that was shown."""

    SCOPE = Scope.LEAVING
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.LEAVING, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    LeavingScreen { align: center middle; background: $bp-paper 60%; }
    LeavingScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 92%;
                           background: $bp-paper; border: round $bp-accent;
                           border-title-color: $bp-ink; border-title-style: bold; }
    LeavingScreen #prose { padding: 0 1; }
    LeavingScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "change"

    def __init__(self, step: Step) -> None:
        super().__init__()
        self.step = step
        self.ended = False

    def compose(self) -> ComposeResult:
        """A sheet over everything."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "Leaving"
            with Reading(id="prose"):
                yield Prose()
            yield KeyLine(Scope.LEAVING)

    def on_mount(self) -> None:
        """Look again and again whether it has ended."""
        self.query_one("#prose").focus()
        self.set_interval(_LOOK_EVERY_S, self.look)
        self.refresh_state()

    def look(self) -> None:
        """See whether it has ended; what it told by then is shown."""
        if not self.ended and not self._app.session.changing:
            self._app.drain()
            self.ended = True
            self.refresh_state()

    def refresh_state(self) -> None:
        """Show how far it is."""
        self.query_one(Prose).show(self._text())
        self.query_one(KeyLine).refresh_state()

    def _text(self) -> Text:
        c, g = self.colours, self.glyphs
        state = self.state
        ink = Style(color=c.ink)
        view = state.steps[self.step]
        text = Text()
        if not self.ended:
            text.append(
                f"{g.running} A device is being changed: it is brought to a safe point first.\n",
                Style(color=c.accent, bold=True),
            )
            doing = view.progress.text if view.progress is not None else view.intent
            text.append(f"\n{words.safe(doing)}\n", ink)
            text.append(
                "\nThis takes a few seconds, and up to two minutes where the device stays away.",
                Style(color=c.dim),
            )
            return text
        text.append("This is how things stand:\n\n", Style(color=c.ink, bold=True))
        text.append(words.told(view.summary) or "Nothing was written.", ink)
        text.append(f"\n\n{g.right} Enter leaves.", Style(color=c.accent))
        return text

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Leave when it has ended."""
        return self.ended if action == "leave" else True

    def action_leave(self) -> None:
        """Leave; how things stand was shown."""
        if self.ended:
            self.app.exit()
