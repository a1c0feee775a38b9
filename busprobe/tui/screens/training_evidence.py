"""What the bus says of a cause: finding, evidence, and the frames it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from busprobe.model.finding import certainty
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.widgets.exchange_view import ExchangeView
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

if TYPE_CHECKING:
    from busprobe.model.exchange import Exchange
    from busprobe.model.finding import Evidence, Finding
    from busprobe.session.training import Shown


class EvidenceList(LineList):
    """Pieces of evidence; the exchange of the marked one is shown below."""

    DEFAULT_CSS = """
    EvidenceList { height: auto; max-height: 8; min-height: 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.pieces: tuple[Evidence, ...] = ()

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.pieces)

    def empty_text(self) -> str:
        """A finding may speak for itself."""
        return " The finding speaks for itself."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Exchange and text."""
        c, g = self.colours, self.glyphs
        return [
            Text.assemble(
                (f" {g.dash} ", Style(color=c.accent, bold=True)),
                (words.evidence(self.pieces[index]), Style(color=c.ink)),
            )
        ]


class EvidenceScreen(Looks, ModalScreen[None]):
    """Explains a line of the marks."""

    SCOPE = Scope.EVIDENCE
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.EVIDENCE, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    EvidenceScreen { align: center middle; background: $bp-paper 60%; }
    EvidenceScreen #sheet { width: 92%; max-width: 110; height: auto; max-height: 94%;
                            background: $bp-paper; border: round $bp-accent;
                            border-title-color: $bp-ink; border-title-style: bold; }
    EvidenceScreen #prose { max-height: 50vh; padding: 0 1; }
    EvidenceScreen #prose Static { height: auto; }
    EvidenceScreen #piece { height: auto; max-height: 4; padding: 0 3; }
    EvidenceScreen ExchangeView { height: 8; }
    EvidenceScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "evidence"

    def __init__(self, shown: Shown | None, own: Finding | None) -> None:
        """Make the sheet.

        Args:
            shown: What an examination of the same bus says, or None.
            own: The same finding of the trainee's own job, or None.
        """
        super().__init__()
        self.shown = shown
        self.own = own

    @property
    def _finding(self) -> Finding:
        finding = self.own if self.shown is None else self.shown.finding
        assert finding is not None
        return finding

    def compose(self) -> ComposeResult:
        """Finding, evidence, exchange, keys."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "What the bus says"
            with Reading(id="prose", can_focus=False):
                yield Prose()
            yield EvidenceList(id="pieces")
            yield Prose(id="piece")
            yield ExchangeView(id="exchange")
            yield KeyLine(Scope.EVIDENCE)

    def on_mount(self) -> None:
        """Show the first piece that names an exchange."""
        pieces = self._finding.evidence
        listed = self.query_one(EvidenceList)
        listed.pieces = pieces
        named = (n for n, piece in enumerate(pieces) if self._exchange(piece) is not None)
        listed.cursor = next(named, 0)
        listed.focus()
        self.refresh_state()

    def on_resize(self) -> None:
        """What fits a row depends on its width."""
        self.call_after_refresh(self.refresh_state)

    def refresh_state(self) -> None:
        """Show finding, evidence and exchange."""
        self.query_one("#prose Prose", Prose).show(self._text())
        listed = self.query_one(EvidenceList)
        listed.refresh_state()
        marked = listed.pieces[listed.cursor] if listed.pieces else None
        exchange = None if marked is None else self._exchange(marked)
        # A piece that does not fit its row is told whole.
        whole = "" if marked is None else words.evidence(marked)
        told = self.query_one("#piece", Prose)
        told.display = len(whole) + 3 > listed.size.width > 0
        told.show(Text(whole, Style(color=self.colours.dim)))
        picture = self.query_one(ExchangeView)
        picture.display = exchange is not None
        picture.show(exchange)
        self.query_one(KeyLine).refresh_state()

    def _exchange(self, piece: Evidence) -> Exchange | None:
        known = self.state.exchanges if self.shown is None else self.shown.exchanges
        return next((e for e in known if e.number == piece.exchange), None)

    def _text(self) -> Text:
        c, g = self.colours, self.glyphs
        finding = self._finding
        shown = words.severity(finding.severity, g, c)
        where = "the bus" if finding.address is None else f"address {finding.address}"
        sure = certainty(finding.probability)
        text = Text()
        text.append(f"{shown.sign} {shown.word.upper()}  ", Style(color=shown.colour, bold=True))
        text.append(words.safe(finding.summary), Style(color=c.ink, bold=True))
        text.append(f"\n{where}  {g.dash}  {sure} sure", Style(color=c.dim))
        if self.shown is not None:
            step = self.shown.step
            number = list(words.STEP_TITLES).index(step) + 1
            text.append(
                f"\n{g.right} Shown by step {number}, {words.STEP_TITLES[step]}"
                f" ({words.safe(self.shown.command)})", Style(color=c.accent),
            )  # fmt: skip
        if self.own is not None:
            text.append(f"\n{g.ok} It stood on your own screen: o opens it.", Style(color=c.ok))
        text.append(f"\n\n{words.safe(finding.cause)}", Style(color=c.ink))
        return text

    def on_line_list_moved(self) -> None:
        """Show the exchange of the marked piece."""
        self.refresh_state()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """One's own finding, where there is one."""
        return action != "own" or self.own is not None

    def action_own(self) -> None:
        """Open the finding of one's own job; its evidence leads to one's own frames."""
        if self.own is not None:
            self.app.push_screen(FindingScreen(self.own))

    def action_back(self) -> None:
        """Back to the marks."""
        self.dismiss()
