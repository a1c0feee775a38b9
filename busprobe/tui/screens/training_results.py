"""Every answer so far, and a file of them for the trainer."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal
from textual.screen import Screen
from textual.widgets import Input, Static

from busprobe.model.errors import BusprobeError
from busprobe.tui import training_words, words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import InTraining
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.lines import TitleLine
from busprobe.tui.widgets.panel import Looks, Prose

if TYPE_CHECKING:
    from busprobe.session.training_room import Row


class AnswerList(LineList):
    """Answers, the latest first."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.answers: tuple[Row, ...] = ()

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.answers)

    def empty_text(self) -> str:
        """None yet."""
        return " No answer was given yet."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """When, marks, found of, exercise."""
        c, g = self.colours, self.glyphs
        row = self.answers[index]
        shown = training_words.score(row.score, row.word, g, c)
        # The first answer counts; later ones are practice.
        practice = "" if row.number == 1 else "practice  "
        line = Text.assemble(
            (f" {words.safe(row.at)[:16].replace('T', ' ')}  ", Style(color=c.dim)),
            (f"{shown!s:<16}", Style(color=shown.colour, bold=True)),
            (f"{row.found}/{row.causes} ", Style(color=c.ink)),
            (f"{training_words.minutes(row.bus_time_s):>6}  ", Style(color=c.dim)),
            (practice, Style(color=c.dim)),
            (f"{words.safe(row.title)}", Style(color=c.ink)),
        )
        if width >= 110:
            line.append(f"  {words.safe(row.text)}", Style(color=c.dim))
        return [line]


class ResultsScreen(InTraining, Looks, Screen[None]):
    """The table of answers."""

    SCOPE = Scope.RESULTS
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.RESULTS)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    ResultsScreen #ask { height: auto; }
    ResultsScreen #answers { margin: 1 0; }
    ResultsScreen .row { height: 1; padding: 0 1; }
    ResultsScreen .name { width: 10; color: $bp-dim; }
    ResultsScreen Input { width: 1fr; }
    ResultsScreen #told { height: auto; max-height: 3; padding: 0 1; }
    """

    help_topic = "results"

    def compose(self) -> ComposeResult:
        """Average, answers, name, file, keys."""
        yield TitleLine()
        yield Prose(id="ask")
        yield AnswerList(id="answers")
        with Horizontal(classes="row"):
            yield Static("Your name", classes="name", markup=False)
            yield Input(id="trainee", compact=True, select_on_focus=False, max_length=60)
        with Horizontal(classes="row"):
            yield Static("File", classes="name", markup=False)
            yield Input(
                "results.csv", id="file", compact=True, select_on_focus=False,
                placeholder="results.csv or results.json",
            )  # fmt: skip
        yield Prose(id="told")
        yield KeyLine(Scope.RESULTS)

    def on_mount(self) -> None:
        """Read the answers."""
        try:
            self.query_one(AnswerList).answers = self._training.results()
            self.query_one("#trainee", Input).value = words.safe(self._training.trainee)
        except BusprobeError as error:
            self._tell(words.safe(str(error)), good=False)
        self.query_one(AnswerList).focus()
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the answers in the colours of the theme."""
        c = self.colours
        listed = self.query_one(AnswerList)
        self.query_one(TitleLine).refresh_state()
        listed.refresh_state()
        self.query_one(KeyLine).refresh_state()
        first = [row.score for row in listed.answers if row.number == 1]
        text = Text(f" {self.glyphs.right} Next:", Style(color=c.accent, bold=True))
        text.append(" name and file, then w writes them. ", Style(color=c.ink))
        if first:
            mean = sum(first) / len(first)
            count = f"{len(first)} first answer{'' if len(first) == 1 else 's'}"
            text.append(f"{count}, mean {mean:.0f} points.", Style(color=c.dim))
        self.query_one("#ask", Prose).show(text)

    def _tell(self, text: str, *, good: bool) -> None:
        c, g = self.colours, self.glyphs
        sign, colour = (g.ok, c.ok) if good else (g.fail, c.fail)
        self.query_one("#told", Prose).show(Text(f"{sign} {text}", Style(color=colour)))

    def on_input_submitted(self) -> None:
        """Enter in a field."""
        self.action_write()

    def action_write(self) -> None:
        """Write all answers to the file."""
        file = self.query_one("#file", Input).value.strip()
        name = self.query_one("#trainee", Input).value.strip()
        if not file:
            self._tell("Name a file that ends with .csv or .json.", good=False)
            return
        try:
            if name and name != words.safe(self._training.trainee):
                self._training.name_trainee(name)
            count = self._training.export(Path(file).expanduser())
        except BusprobeError as error:
            self._tell(words.safe(str(error)), good=False)
            return
        what = f"{count} answer{'' if count == 1 else 's'}"
        self._tell(f"{what} written to {words.safe(file)}.", good=True)

    def action_back(self) -> None:
        """Close."""
        self.app.pop_screen()
