"""Choose an exercise: level, state, and the complaint of the customer."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import Input, Static

from busprobe.model.errors import BusprobeError
from busprobe.tui import training_words, words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import OnHost
from busprobe.tui.screens.training_results import ResultsScreen
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.lines import TitleLine
from busprobe.tui.widgets.panel import Looks, Prose

if TYPE_CHECKING:
    from busprobe.session.training_room import Card

_STATE_WIDTH = 10


class ExerciseList(LineList):
    """Exercises, the easiest first; those that are drawn come last."""

    DEFAULT_CSS = """
    ExerciseList { height: 1fr; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.cards: tuple[Card, ...] | None = None

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.cards or ())

    def empty_text(self) -> str:
        """Without the simulator there are none."""
        if self.cards is None:
            return f" Reading the exercises {self.glyphs.ellipsis}"
        return " There is no exercise here."

    def card_at(self, index: int) -> Card | None:
        """The exercise in this row."""
        return None if self.cards is None or index >= len(self.cards) else self.cards[index]

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Level, title, state."""
        c, g = self.colours, self.glyphs
        card = self.card_at(index)
        if card is None:
            return []
        shown = training_words.state(card, g, c)
        room = max(8, width - 8 - _STATE_WIDTH)
        title = words.safe(card.title)
        if len(title) > room:
            title = title[: room - 1] + g.ellipsis
        ink = Style(color=c.ink, italic=card.drawn)
        return [
            Text.assemble(
                (f" {training_words.level(card.level, g)} ", Style(color=c.accent)),
                (f"{title:<{room}} ", ink),
                (str(shown), Style(color=shown.colour)),
            )
        ]


class TrainingScreen(OnHost, Looks, Screen[None]):
    """All exercises, and what the marked one is about."""

    SCOPE = Scope.TRAINING
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.TRAINING)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    TrainingScreen #ask { height: 1; }
    TrainingScreen #choose { height: 1fr; }
    TrainingScreen #exercises { height: 11; width: 1fr; }
    TrainingScreen #about { height: 1fr; padding: 0 1; border-top: solid $bp-faint;
                            border-title-color: $bp-ink; border-title-style: bold; }
    TrainingScreen .row { height: 1; padding: 0 1; }
    TrainingScreen .name { width: 10; color: $bp-dim; }
    TrainingScreen #wish { width: 1fr; }
    TrainingScreen #problem { padding: 0 1; height: auto; max-height: 5; }
    """

    help_topic = "training"

    def __init__(self) -> None:
        super().__init__()
        self._filled = ""

    def compose(self) -> ComposeResult:
        """List, story, field, keys."""
        yield TitleLine()
        yield Prose(id="ask")
        with Vertical(id="choose"):
            yield ExerciseList(id="exercises")
            with VerticalScroll(id="about", can_focus=False) as about:
                about.border_title = "The complaint"
                yield Prose()
        yield Prose(id="problem")
        with Horizontal(classes="row"):
            yield Static("Exercise", classes="name", markup=False)
            yield Input(
                id="wish", compact=True, select_on_focus=False,
                placeholder="NAME, NAME@SEED as told by the trainer, or a file",
            )  # fmt: skip
        yield KeyLine(Scope.TRAINING)

    def on_mount(self) -> None:
        """Start in the list."""
        self.query_one(ExerciseList).focus()

    def on_screen_resume(self) -> None:
        """Read the exercises, and marks that came in meanwhile; that takes a moment.

        The screen is painted before.
        """
        self.call_after_refresh(self.read)

    def read(self) -> None:
        """Read exercises and marks anew."""
        training = self._app.training
        listed = self.query_one(ExerciseList)
        self._tell(None)
        try:
            listed.cards = () if training is None else training.cards()
        except BusprobeError as error:
            listed.cards = ()
            self._tell(error)
        field = self.query_one("#wish", Input)
        if field.value in ("", self._filled):  # what somebody typed stays
            self._take_marked()
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show list and story in the colours of the theme."""
        c = self.colours
        self.query_one(TitleLine).refresh_state()
        self.query_one(KeyLine).refresh_state()
        listed = self.query_one(ExerciseList)
        listed.refresh_state()
        shipped = [card for card in listed.cards or () if not card.drawn]
        done, count = sum(card.best is not None for card in shipped), len(shipped)
        self.query_one("#ask", Prose).show(
            Text.assemble(
                (f" {self.glyphs.right} Next:", Style(color=c.accent, bold=True)),
                (" choose with the arrow keys, Enter begins. ", Style(color=c.ink)),
                (f"{done} of {count} answered.", Style(color=c.dim)),
            )
        )
        self.query_one("#about Prose", Prose).show(self._about())

    def _marked(self) -> Card | None:
        listed = self.query_one(ExerciseList)
        return listed.card_at(listed.cursor)

    def _about(self) -> Text:
        c, g = self.colours, self.glyphs
        card = self._marked()
        if card is None:
            return Text()
        dim, ink = Style(color=c.dim), Style(color=c.ink)
        width = max(20, self.query_one("#about").size.width - 3)
        text = Text(f"{words.safe(card.title)}\n", Style(color=c.ink, bold=True))
        text.append(f"{training_words.level(card.level, g)} level {card.level}", dim)
        if card.open_seed is not None:
            text.append(f"  {g.running} begun, not answered yet", Style(color=c.accent))
        elif card.best is not None:
            shown = training_words.score(card.best, "points", g, c)
            text.append(f"  {shown}", Style(color=shown.colour))
        text.append("\n\n")
        text.append_text(training_words.quoted(card.story, width, g.box[3], c))
        if card.drawn:
            text.append(f"\nAdd @ and a number to fix the seed: {words.safe(card.name)}@17.", ink)
        else:
            text.append(
                f"\n{card.cases} different things may lie behind this complaint. "
                "Only the bus tells which of them it is.", ink,
            )  # fmt: skip
        return text

    def _take_marked(self) -> None:
        card = self._marked()
        if card is not None:
            seed = "" if card.open_seed is None else f"@{card.open_seed}"
            self._filled = f"{words.safe(card.name)}{seed}"
            self.query_one("#wish", Input).value = self._filled

    def _tell(self, error: BusprobeError | None) -> None:
        c, g = self.colours, self.glyphs
        text = Text()
        if error is not None:
            text.append(f"{g.fail} {words.safe(str(error))}", Style(color=c.fail))
        self.query_one("#problem", Prose).show(text)

    def on_line_list_moved(self) -> None:
        """Show the story of the marked one."""
        self._take_marked()
        self.refresh_state()

    def on_line_list_chosen(self) -> None:
        """Begin the marked one."""
        self._take_marked()
        self.action_begin()

    def on_input_submitted(self) -> None:
        """Enter in the field."""
        self.action_begin()

    def on_resize(self) -> None:
        """The story is broken into rows anew."""
        self.call_after_refresh(self.refresh_state)

    def action_begin(self) -> None:
        """Begin what stands in the field."""
        wish = self.query_one("#wish", Input).value.strip()
        if not wish:
            self.notify("Choose an exercise, or type one.", markup=False)
            return
        try:
            self._app.begin_exercise(wish)
        except BusprobeError as error:
            self._tell(error)

    def action_results(self) -> None:
        """See all answers."""
        self.app.push_screen(ResultsScreen())

    def action_back(self) -> None:
        """Back to the job."""
        self.app.pop_screen()
