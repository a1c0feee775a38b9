"""Every exchange on the bus, and the marked one in full."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import Screen

from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.screens.bytes import BytesScreen
from busprobe.tui.widgets.exchange_view import ExchangeView
from busprobe.tui.widgets.frame_list import FrameList
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.lines import TitleLine
from busprobe.tui.widgets.panel import Looks, Prose


class FramesScreen(Looks, Screen[None]):
    """List above, detail below."""

    SCOPE = Scope.FRAMES
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.FRAMES)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    FramesScreen #filter { height: 1; }
    """

    help_topic = "frames"

    def __init__(self, number: int | None = None) -> None:
        super().__init__()
        self._number = number

    def compose(self) -> ComposeResult:
        """Title, filter, list, detail, keys."""
        yield TitleLine()
        yield Prose(id="filter")
        yield FrameList(id="frames")
        yield ExchangeView(id="exchange")
        yield KeyLine(Scope.FRAMES)

    def on_mount(self) -> None:
        """Start at the wanted exchange, or at the newest one."""
        listed = self.query_one(FrameList)
        listed.focus()
        listed.follow = self._number is None
        self.call_after_refresh(self._settle)

    def _settle(self) -> None:
        self.refresh_state()
        if self._number is not None and not self.query_one(FrameList).show_exchange(self._number):
            self.notify(f"Exchange {self._number} is no longer kept here.", markup=False)
        self._show_marked()

    def refresh_state(self) -> None:
        """Take in new exchanges."""
        c = self.colours
        listed = self.query_one(FrameList)
        self.query_one(TitleLine).refresh_state()
        listed.refresh_state()
        self.query_one(KeyLine).refresh_state()
        text = Text.assemble(
            (" Next: ", Style(color=c.accent, bold=True)),
            ("move with the arrow keys; the marked exchange is shown below.  ", Style(color=c.ink)),
        )
        what = []
        if listed.only_address is not None:
            what.append(f"address {listed.only_address}")
        if listed.only_trouble:
            what.append("trouble")
        shown = f"only {' and '.join(what)}: {listed.entry_count()}" if what else "all: "
        shown += f" of {len(self.state.exchanges)}" if what else str(len(self.state.exchanges))
        text.append(shown, Style(color=c.dim))
        self.query_one("#filter", Prose).show(text)
        if listed.follow:
            self._show_marked()

    def _show_marked(self) -> None:
        listed = self.query_one(FrameList)
        self.query_one(ExchangeView).show(listed.exchange_at(listed.cursor))

    def on_line_list_moved(self, message: LineList.Moved) -> None:
        """Show the marked exchange in full."""
        self._show_marked()

    def action_back(self) -> None:
        """Back to where it was opened."""
        self.app.pop_screen()

    def action_only_address(self) -> None:
        """Only the address of the marked exchange, or all again."""
        listed = self.query_one(FrameList)
        marked = listed.exchange_at(listed.cursor)
        only = None
        if listed.only_address is None and marked is not None:
            only = marked.request.address
        listed.set_filter(only, listed.only_trouble)
        self.refresh_state()
        self._show_marked()

    def action_only_trouble(self) -> None:
        """Only what went wrong, or all again."""
        listed = self.query_one(FrameList)
        listed.set_filter(listed.only_address, not listed.only_trouble)
        self.refresh_state()
        self._show_marked()

    def action_decode(self) -> None:
        """Explain the bytes of the marked exchange."""
        listed = self.query_one(FrameList)
        marked = listed.exchange_at(listed.cursor)
        if marked is not None:
            self.app.push_screen(BytesScreen(marked.request.raw + marked.heard))

    def action_follow(self) -> None:
        """Stay at the newest exchange."""
        self.query_one(FrameList).follow = True
        self.refresh_state()
