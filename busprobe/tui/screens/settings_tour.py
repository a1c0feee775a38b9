"""Going through every line setting of a meter: what it writes, and your confirmation."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.state import StepState
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

if TYPE_CHECKING:
    from busprobe.session.events import BenchTourPlanned


class SettingsTourScreen(Looks, ModalScreen[bool]):
    """Shows every write; answers True when the technician confirmed them."""

    SCOPE = Scope.TOUR
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.TOUR, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    SettingsTourScreen { align: center middle; background: $bp-paper 60%; }
    SettingsTourScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 92%;
                                background: $bp-paper; border: round $bp-accent;
                                border-title-color: $bp-ink; border-title-style: bold; }
    SettingsTourScreen #prose { padding: 0 1; }
    SettingsTourScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "settings-tour"

    def compose(self) -> ComposeResult:
        """A sheet over the work screen."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "Every line setting"
            with Reading(id="prose"):
                yield Prose()
            yield KeyLine(Scope.TOUR)

    def on_mount(self) -> None:
        """Scrolled by the arrow keys at once."""
        self.query_one("#prose").focus()
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show how far it is."""
        self.query_one(Prose).show(self._text())
        self.query_one(KeyLine).refresh_state()

    def _text(self) -> Text:
        c, g = self.colours, self.glyphs
        text = Text()
        planned, view = self.state.bench_tour, self.state.steps[Step.BENCH]
        if planned is not None:
            self._plan(text, planned)
        elif view.state is StepState.FAILED:
            text.append(f"{g.fail} {words.safe(view.summary)}", Style(color=c.fail))
        else:
            doing = "looking who is there and what its profile offers"
            text.append(f"{g.running} ", Style(color=c.accent, bold=True))
            text.append(doing, Style(color=c.ink))
        return text

    def _plan(self, text: Text, planned: BenchTourPlanned) -> None:
        c, g = self.colours, self.glyphs
        tour = planned.plan
        name = words.safe(planned.device)
        if not tour.legs:
            text.append(f"{g.unknown} Nothing to confirm\n", Style(color=c.warn, bold=True))
            text.append(
                f"{name}: {words.safe(tour.why_not)}. s tests it at the setting it has.",
                Style(color=c.ink),
            )
            return
        text.append(
            f"{g.warn} To be WRITTEN to address {planned.address}: {tour.writes} registers in "
            f"{len(tour.legs)} changes\n",
            Style(color=c.warn, bold=True),
        )
        text.append(f"{name}\n", Style(color=c.ink, bold=True))
        for line in tour.lines():
            head = not line.startswith(" ")
            text.append(f"\n  {words.safe(line)}", Style(color=c.ink, bold=head))
        text.append(
            f"\n\nAt the end it is brought back to {tour.home}, also when you stop it or the test "
            "fails, and where it is then is told.\n",
            Style(color=c.ink),
        )
        text.append(f"{g.right} y writes this and begins the test.", Style(color=c.accent))

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what is shown can be confirmed."""
        if action == "confirm":
            planned = self.state.bench_tour
            return planned is not None and bool(planned.plan.legs)
        return True

    def action_confirm(self) -> None:
        """The technician confirms what is shown."""
        if self.check_action("confirm", ()):
            self.dismiss(True)

    def action_back(self) -> None:
        """Close; nothing is written."""
        self.dismiss(False)
