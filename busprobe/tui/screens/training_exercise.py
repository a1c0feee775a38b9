"""The exercise that is worked on: complaint, papers, hints at a price, and hands."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen

from busprobe.tui import training_words, words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import InTraining
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.reading import Reading

if TYPE_CHECKING:
    from busprobe.session.training_room import Given, Hint, Standing


class ExerciseScreen(InTraining, Looks, ModalScreen[None]):
    """What a trainee may know, and what hands can do."""

    SCOPE = Scope.EXERCISE
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.EXERCISE, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    ExerciseScreen { align: center middle; background: $bp-paper 60%; }
    ExerciseScreen #sheet { width: 90%; max-width: 100; height: auto; max-height: 94%;
                            background: $bp-paper; border: round $bp-accent;
                            border-title-color: $bp-ink; border-title-style: bold; }
    ExerciseScreen #prose { padding: 0 1; }
    ExerciseScreen #prose Static { height: auto; }
    ExerciseScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "exercise"

    def __init__(self) -> None:
        super().__init__()
        self._asked: int | None = None

    def compose(self) -> ComposeResult:
        """A sheet over the work screen."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "Exercise"
            with Reading(id="prose"):
                yield Prose()
            yield KeyLine(Scope.EXERCISE)

    def on_mount(self) -> None:
        """Show it."""
        self.refresh_state()
        self.query_one("#prose").focus()

    def on_resize(self) -> None:
        """The complaint is broken into rows anew."""
        self.call_after_refresh(self.refresh_state)

    def refresh_state(self) -> None:
        """Show complaint, papers, hints, hands."""
        given = self._training.given
        if given is None:
            return
        self.query_one(Prose).show(self._text(given, self._training.standing))
        self.query_one(KeyLine).refresh_state()

    def _text(self, given: Given, standing: Standing) -> Text:
        c, g = self.colours, self.glyphs
        ink, dim = Style(color=c.ink), Style(color=c.dim)
        head = Style(color=c.accent, bold=True)
        text = Text(f"{words.safe(given.title)}\n", Style(color=c.ink, bold=True))
        text.append(f"{training_words.level(given.level, g)} level {given.level}  {g.dash}  ", dim)
        text.append(f"{words.safe(given.name)}@{given.seed}", dim)
        again = f"  {g.dash}  answered before: practice" if given.answered else ""
        text.append(f"{again}\n\n", dim)
        width = max(20, self.query_one("#prose").size.width - 3)
        text.append_text(training_words.quoted(given.story, width, g.box[3], c))
        text.append("\n")
        text.append_text(training_words.papers(given, width + 1, c))
        text.append("\nFind what is wrong on this bus, then state the causes with c.", ink)
        enough = training_words.minutes(given.par_s)
        text.append(f" {enough} of bus time is enough; only steps that run count.\n", dim)
        if given.hints:
            text.append("\nHints\n", head)
        for hint in given.hints:
            self._hint(text, hint)
        text.append("\nHands\n", head)
        alone = "unplugged (u plugs it in)" if standing.alone else "as it is (u unplugs it)"
        text.append(f"  energy manager  {alone}\n", ink)
        socket = words.safe(standing.socket) or "the usual socket"
        carry = " (g carries it on)" if given.sockets else ""
        text.append(f"  test heater     {socket}{carry}\n", ink)
        text.append(f"  time lapse      {standing.speed:.0f}x (z changes it)", ink)
        return text

    def _hint(self, text: Text, hint: Hint) -> None:
        c, g = self.colours, self.glyphs
        if hint.text is not None:
            text.append(f"  {g.note} ", Style(color=c.warn))
            text.append(f"{words.safe(hint.text)} ", Style(color=c.ink))
            text.append(f"({g.minus}{hint.price:.0f})\n", Style(color=c.dim))
        elif self._asked == hint.number:
            text.append(
                f"  {g.warn} Hint {hint.number} costs {hint.price:.0f} points: y takes it.\n",
                Style(color=c.warn, bold=True),
            )
        else:
            text.append(
                f"  {g.idle} hint {hint.number}: {hint.price:.0f} points\n", Style(color=c.dim)
            )

    def _next_hint(self) -> int | None:
        given = self._training.given
        hints = () if given is None else given.hints
        return next((hint.number for hint in hints if hint.text is None), None)

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what is possible now."""
        training = self._training
        given, answered = training.given, training.graded is not None
        if given is None:
            return action == "back"
        match action:
            case "hint":
                return not answered and self._asked is None and self._next_hint() is not None
            case "take":
                return self._asked is not None
            case "carry":
                return bool(given.sockets)
            case _:
                return True

    def action_hint(self) -> None:
        """Say what the next hint costs."""
        self._asked = self._next_hint()
        self.refresh_state()

    def action_take(self) -> None:
        """Take it."""
        if self._asked is not None:
            self._training.take_hint(self._asked)
            self._asked = None
            self._app.refresh_screens()

    def action_unplug(self) -> None:
        """Unplug the energy manager, or plug it in."""
        self._training.unplug_master(not self._training.standing.alone)
        self._app.refresh_screens()

    def action_carry(self) -> None:
        """Carry the heater to the next socket."""
        given = self._training.given
        if given is not None and given.sockets:
            places = ("", *given.sockets)
            here = places.index(self._training.standing.socket)
            self._training.carry_heater(places[(here + 1) % len(places)])
            self._app.refresh_screens()

    def action_time_lapse(self) -> None:
        """Let time run faster, or as it is."""
        self._app.next_speed()

    def action_causes(self) -> None:
        """State the causes."""
        self.dismiss()
        self._app.open_causes()

    def action_leave(self) -> None:
        """Choose another exercise."""
        self.dismiss()
        self._app.choose_exercise()

    def action_back(self) -> None:
        """To work."""
        self.dismiss()
