"""The line step: who talks, what is wrong with the line, how often, and over time."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, cast

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Select, Static

from busprobe.model.finding import certainty
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.host import OnHost
from busprobe.tui.state import StepState
from busprobe.tui.widgets.conversation import ConversationTable
from busprobe.tui.widgets.health_table import HealthTable
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import CanvasPanel, Looks, Prose, section
from busprobe.tui.widgets.soak_picture import SoakPicture
from busprobe.tui.widgets.step_card import StepCard
from busprobe.tui.widgets.views import Views

if TYPE_CHECKING:
    from busprobe.diagnosis.line_health import Cause
    from busprobe.tui.options import Chosen

LISTEN_S = (("10 s", 10), ("30 s", 30), ("2 min", 120), ("10 min", 600))
SOAK_S = (
    ("not at all", 0), ("1 min", 60), ("10 min", 600), ("1 h", 3_600), ("8 h", 28_800),
    ("3 days", 259_200),
)  # fmt: skip
_WORTH_SHOWING = 0.005


class View(StrEnum):
    """What is shown of the line where not everything fits."""

    CAUSES = "causes"
    HEALTH = "health"
    HISTORY = "history"
    HEARD = "heard"


class LineCard(StepCard):
    """The card of the line check, or of listening while that runs or was the last."""

    def shown_step(self) -> Step:
        """Listening belongs to the link, but is shown here."""
        checked = self.state.steps[Step.LINE].state is not StepState.TO_DO
        heard = self.state.listened is not None and not checked
        return Step.LINK if self.state.listening or heard else Step.LINE


class CauseList(LineList):
    """What may be wrong, the likeliest first; several can hold at once."""

    DEFAULT_CSS = """
    CauseList { height: auto; max-height: 6; min-height: 1; }
    """

    @property
    def causes(self) -> tuple[Cause, ...]:
        """Causes that are worth a row."""
        weighed = self.state.weighed
        if weighed is None:
            return ()
        return tuple(c for c in weighed.causes if c.probability >= _WORTH_SHOWING)

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.causes)

    def empty_text(self) -> str:
        """Before the check, and after a clean one."""
        weighed = self.state.weighed
        if weighed is None:
            return "Causes with their probabilities appear here."
        return f"{weighed.total} exchanges, {weighed.bad} of them not clean: no cause to name."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """A bar, the probability, the cause, the address."""
        c, g = self.colours, self.glyphs
        cause = self.causes[index]
        filled = round(10 * cause.probability)
        where = "the line" if cause.address is None else f"address {cause.address}"
        return [
            Text.assemble(
                (g.bar[0] * filled, Style(color=c.accent)),
                (g.bar[1] * (10 - filled), Style(color=c.faint)),
                (f" {certainty(cause.probability):>11}  ", Style(color=c.ink, bold=True)),
                (f"{words.safe(cause.code.replace('-', ' '))}, {where}", Style(color=c.ink)),
            )
        ]


class LinePane(OnHost, Views, Looks, Vertical):
    """Form, card, and four pictures of the line."""

    DEFAULT_CSS = """
    LinePane { height: 1fr; padding: 0 1; }
    LinePane #line-form { height: 1; }
    LinePane .name { width: auto; color: $bp-dim; margin-right: 1; }
    LinePane #listen-s { width: 14; margin-right: 2; }
    LinePane #soak-s { width: 16; }
    LinePane #causes { height: 1fr; }
    LinePane #causes-head, LinePane #cause { height: auto; }
    LinePane #causes, LinePane HealthTable, LinePane SoakPicture { display: none; }
    LinePane ConversationTable { display: none; }
    LinePane.-causes #causes { display: block; }
    LinePane.-health HealthTable { display: block; }
    LinePane.-history SoakPicture { display: block; }
    LinePane.-heard ConversationTable { display: block; }
    """

    views = tuple(View)

    def __init__(self) -> None:
        super().__init__(id="pane-line")

    def compose(self) -> ComposeResult:
        """Form, card, pictures."""
        with Horizontal(id="line-form", classes="form"):
            yield Static("Listen (l)", classes="name", markup=False)
            yield Select(LISTEN_S, value=10, allow_blank=False, id="listen-s", compact=True)
            yield Static("Soak after the check", classes="name", markup=False)
            yield Select(SOAK_S, value=0, allow_blank=False, id="soak-s", compact=True)
        yield LineCard(Step.LINE)
        with section(Vertical(id="causes"), "What may be wrong"):
            yield Prose(id="causes-head")
            yield CauseList(id="cause-list")
            yield Prose(id="cause")
        yield section(HealthTable(), "Each address")
        yield section(SoakPicture(), "Soak")
        yield section(ConversationTable(), "What others say")

    @property
    def listen_s(self) -> float:
        """How long to listen [s]."""
        return float(str(self.query_one("#listen-s", Select).value))

    @property
    def soak_s(self) -> float:
        """How long to count after the check [s]."""
        return float(str(self.query_one("#soak-s", Select).value))

    def begin(self, chosen: Chosen, *, insist: bool = False) -> None:
        """Check the line: ask everybody who is known, and everybody who should be there.

        Args:
            chosen: The options of this step.
            insist: Ask although another master is heard.
        """
        app = self._app
        own_s = chosen.number("own-soak")
        soak_s = self.soak_s if own_s is None else own_s
        wished = cast("tuple[int, ...]", chosen.value("line-addresses"))
        self.show_view(View.HISTORY if soak_s else View.CAUSES)
        app.session.check_line(
            wished or self.state.addresses,
            soak_s,
            insist=insist,
            expected=app.expected,
            plan_file=app.plan_file,
        )

    def refresh_state(self) -> None:
        """Show what is known of the line."""
        for panel in self.query(CanvasPanel):
            panel.refresh_state()
        listed = self.query_one(CauseList)
        listed.styles.height = max(1, min(6, listed.entry_count()))
        listed.refresh_state()
        self._show_causes()

    def _show_causes(self) -> None:
        c, g = self.colours, self.glyphs
        weighed = self.state.weighed
        head = Text()
        if weighed is not None:
            from busprobe.diagnosis.line_health import healthy

            sound = healthy(weighed)
            shown = words.Shown(g.ok, "nothing wrong", c.ok)
            if sound < 0.5:
                shown = words.Shown(g.warn, "something is wrong", c.warn)
            head.append(str(shown), Style(color=shown.colour, bold=True))
            head.append(
                f"  {certainty(max(sound, 1 - sound))} sure; {weighed.bad} of "
                f"{weighed.total} exchanges not clean",
                Style(color=c.dim),
            )
        self.query_one("#causes-head", Prose).show(head)
        listed = self.query_one(CauseList)
        causes = listed.causes
        text = Text()
        if causes:
            cause = causes[min(listed.cursor, len(causes) - 1)]
            for piece in cause.evidence:
                text.append(f"{g.note} {words.evidence(piece)}\n", Style(color=c.ink))
        self.query_one("#cause", Prose).show(text)

    def on_line_list_moved(self) -> None:
        """Show what the marked cause rests on."""
        self._show_causes()
