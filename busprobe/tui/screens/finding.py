"""One finding in full: cause, probability, evidence, remedy, caution."""

from __future__ import annotations

from typing import ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType

from busprobe.model.finding import Finding, certainty
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.separate import SeparateScreen
from busprobe.tui.screens.sheet import Sheet
from busprobe.tui.widgets.exchange_view import ExchangeView


class FindingScreen(Sheet):
    """Explains a finding."""

    SCOPE = Scope.FINDING
    SHEET_TITLE = "Finding"
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.FINDING, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    FindingScreen ExchangeView { border-top: none; margin: 1 0 0 0; height: 11; }
    """

    help_topic = "finding"

    def __init__(self, finding: Finding) -> None:
        super().__init__()
        self.finding = finding
        self._piece = 0

    def more(self) -> ComposeResult:
        """The exchange it rests on."""
        yield ExchangeView(id="collision")

    def refresh_state(self) -> None:
        """Show text and picture in the colours of the theme."""
        super().refresh_state()
        number = self._exchange_shown()
        exchange = None if number is None else self.state.exchange(number)
        picture = self.query_one(ExchangeView)
        picture.display = exchange is not None
        picture.show(exchange)

    def text(self) -> Text:
        """Cause, remedy, caution, evidence."""
        c, g = self.colours, self.glyphs
        finding = self.finding
        shown = words.severity(finding.severity, g, c)
        ink, head = Style(color=c.ink), Style(color=c.accent, bold=True)
        text = Text()
        text.append(f"{shown.sign} {shown.word.upper()}  ", Style(color=shown.colour, bold=True))
        text.append(words.told(finding.summary), Style(color=c.ink, bold=True))
        where = "the bus" if finding.address is None else f"address {finding.address}"
        device = f", {words.safe(finding.device)}" if finding.device else ""
        sure = certainty(finding.probability)
        text.append(f"\n{where}{device}  {g.dash}  {sure} sure", Style(color=c.dim))
        text.append(f"  {g.dash}  {words.safe(finding.code)}", Style(color=c.dim))
        for title, body in (("Cause", finding.cause), ("Remedy", finding.remedy)):
            text.append(f"\n\n{title}\n", head)
            text.append(words.told(body), ink)
        if finding.caution:
            text.append(f"\n\n{g.warn} Caution\n", Style(color=c.warn, bold=True))
            text.append(words.told(finding.caution), Style(color=c.warn))
        if finding.evidence:
            text.append("\n\nEvidence", head)
            drawn = self._exchange_shown()
            for piece in finding.evidence:
                number = "" if piece.exchange is None else f"exchange {piece.exchange}: "
                shown_below = piece.exchange is not None and piece.exchange == drawn
                sign, style = (g.running, c.accent) if shown_below else (g.note, c.dim)
                text.append(f"\n {sign} {number}", Style(color=style, bold=shown_below))
                text.append(words.told(piece.text), ink)
        return text

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Evidence where an exchange is named, changed where several are; parting where shared."""
        if action == "piece":
            return len(self._exchanges()) > 1
        if action == "separate":
            shared = self.finding.code.startswith("duplicate-")
            return shared and self.state.is_open and self.state.running is None
        return action != "evidence" or bool(self._exchanges())

    def _exchanges(self) -> list[int]:
        numbers = (piece.exchange for piece in self.finding.evidence)
        return list(dict.fromkeys(number for number in numbers if number is not None))

    def _exchange_shown(self) -> int | None:
        numbers = self._exchanges()
        return numbers[self._piece % len(numbers)] if numbers else None

    def action_piece(self, by: int) -> None:
        """Draw another of the exchanges it rests on."""
        self._piece += by
        self.refresh_state()
        # In a small window the picture is further down than the text.
        self.query_one(ExchangeView).scroll_visible(animate=False)

    def action_separate(self) -> None:
        """Guide the separation of those that share the address."""
        address = self.finding.address
        if address is not None and self.check_action("separate", ()):
            self.app.push_screen(SeparateScreen(address), lambda _: self.dismiss())

    def action_evidence(self) -> None:
        """Show the exchange it rests on."""
        number = self._exchange_shown()
        if number is not None:
            self.app.push_screen(FramesScreen(number))
