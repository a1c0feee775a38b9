"""The marks: what was found, missed and not so, what it cost, and what the evidence says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical, VerticalScroll
from textual.screen import Screen

from busprobe.tui import training_words, words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import InTraining
from busprobe.tui.screens.training_evidence import EvidenceScreen
from busprobe.tui.screens.training_results import ResultsScreen
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.lines import TitleLine
from busprobe.tui.widgets.panel import Looks, Prose

if TYPE_CHECKING:
    from busprobe.session.training import Shown

_LOOK_EVERY_S = 0.2
# Columns before the reason of a row of the account.
_BEFORE_WHY = 34


@dataclass(frozen=True, slots=True)
class Line:
    """A true cause, or what was stated and is not so.

    Attributes:
        number: Its number among its like.
        cause: The grade of a true cause, or None.
        wrong: What is not so, or None.
    """

    number: int
    cause: Any = None
    wrong: Any = None


class MarkList(LineList):
    """Every true cause, then what is not so."""

    DEFAULT_CSS = """
    MarkList { height: auto; max-height: 50%; min-height: 2; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.lines: tuple[Line, ...] = ()

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.lines)

    def entry_rows(self) -> int:
        """What it is, and what was made of it."""
        return 2

    def empty_text(self) -> str:
        """A healthy bus."""
        return " Nothing was wrong on this bus, and you said so."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Verdict, cause, comment."""
        c, g = self.colours, self.glyphs
        line = self.lines[index]
        if line.cause is None:
            return [
                Text.assemble(
                    (f" {g.fail} {'not so':<8}", Style(color=c.fail, bold=True)),
                    (training_words.claim(line.wrong), Style(color=c.ink)),
                ),
                Text("            A right thing repaired is a fault made.", Style(color=c.dim)),
            ]
        graded = line.cause
        shown = training_words.verdict(graded.verdict, g, c)
        cause = graded.cause
        where = training_words.place(cause.address, cause.inputs)
        comment = words.safe(cause.text)
        if graded.claim is not None and graded.comment:
            comment = f"{words.safe(graded.comment)}. {comment}"
        return [
            Text.assemble(
                (f" {shown.sign} {shown.word:<8}", Style(color=shown.colour, bold=True)),
                (f"{training_words.cause(cause.code)}, {where}", Style(color=c.ink)),
            ),
            Text(f"            {comment}", Style(color=c.dim)),
        ]


class MarksScreen(InTraining, Looks, Screen[None]):
    """Marks of the exercise that was answered last."""

    SCOPE = Scope.MARKS
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.MARKS)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    MarksScreen #score { height: auto; padding: 1 1 0 1; }
    MarksScreen #body { height: 1fr; }
    MarksScreen #mark-list { margin: 1 0; }
    MarksScreen #account { height: 1fr; padding: 0 1; border-top: solid $bp-faint;
                           border-title-color: $bp-ink; border-title-style: bold; }
    """

    help_topic = "marks"

    def compose(self) -> ComposeResult:
        """Score, lines, account, keys."""
        yield TitleLine()
        yield Prose(id="score")
        with Vertical(id="body"):
            yield MarkList(id="mark-list")
            with VerticalScroll(id="account", can_focus=False) as account:
                account.border_title = "What it cost"
                yield Prose()
        yield KeyLine(Scope.MARKS)

    def on_mount(self) -> None:
        """Show the marks; the explanation comes later."""
        graded = self._training.graded
        if graded is not None:
            causes = (Line(n, cause=c) for n, c in enumerate(graded.grade.causes))
            wrong = (Line(n, wrong=w) for n, w in enumerate(graded.grade.wrong))
            self.query_one(MarkList).lines = (*causes, *wrong)
        self.query_one(MarkList).focus()
        self.set_interval(_LOOK_EVERY_S, self.refresh_state)
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the marks in the colours of the theme."""
        if self._training.graded is None or not self.query(MarkList):
            return
        grade = self._training.graded.grade
        self.query_one(TitleLine).refresh_state()
        self.query_one(MarkList).refresh_state()
        self.query_one(KeyLine).refresh_state()
        self.query_one("#score", Prose).show(self._score(grade, self._training.graded.counts))
        self.query_one("#account Prose", Prose).show(self._account(grade))

    def on_resize(self) -> None:
        """What fits a row depends on its width."""
        self.call_after_refresh(self.refresh_state)

    def _score(self, grade: Any, counts: bool) -> Text:
        c, g = self.colours, self.glyphs
        shown = training_words.score(grade.score, "points", g, c)
        given = self._training.given
        title = "" if given is None else f"{given.title} ({given.name}@{given.seed})"
        text = Text(f"{words.safe(title)}\n", Style(color=c.ink, bold=True))
        text.append(
            f"{training_words.bar(round(grade.score / 5), 20, g)} ", Style(color=shown.colour)
        )
        text.append(f"{shown}  {grade.word}", Style(color=shown.colour, bold=True))
        if not counts:
            text.append("   practice: the first answer counts", Style(color=c.dim))
        text.append(f"\n{self._next(grade)}", Style(color=c.dim))
        return text

    def _next(self, grade: Any) -> str:
        arrow = f"{self.glyphs.right} "
        if grade.guessed:
            return f"{arrow}The bus was not used at all: a guess is no diagnosis."
        if grade.complete:
            return f"{arrow}Everything found, nothing wrong stated. n goes on."
        if self._training.explanation is None:
            return f"{arrow}The same bus is examined once more, to show the evidence ..."
        return f"{arrow}Enter on a line shows what the bus says of it. n goes on."

    def _account(self, grade: Any) -> Text:
        c, g = self.colours, self.glyphs
        ink, dim = Style(color=c.ink), Style(color=c.dim)
        text = Text()
        width = self.query_one("#account Prose", Prose).size.width or 80

        def row(name: str, points: float, why: str = "") -> None:
            sign = "" if points >= 0 else g.minus
            text.append(f"{name:<24}", ink)
            text.append(f"{sign}{abs(points):>5.1f}".rjust(7), Style(color=c.ink, bold=True))
            rows = words.wrapped(why, width - _BEFORE_WHY)
            text.append(f"   {rows[0]}\n" if why else "\n", dim)
            for more in rows[1:]:
                text.append(f"{'':{_BEFORE_WHY}}{more}\n", dim)

        row("causes", grade.cause_points)
        if grade.wrong:
            row("what is not so", -grade.wrong_points)
        for each in grade.conduct:
            row(each.kind.replace("-", " "), -each.points, words.safe(each.text))
        used = training_words.minutes(grade.bus_time_s)
        enough = training_words.minutes(grade.par_s)
        row("bus time", -grade.time_points, f"{used} used, {enough} is enough")
        if grade.hint_points:
            row("hints", -grade.hint_points)
        if not grade.conduct and not grade.guessed:
            text.append("The bus was not disturbed without need.\n", dim)
        return text

    def _shown(self, line: Line) -> Shown | None:
        explanation = self._training.explanation
        if explanation is None:
            return None
        kind = explanation.against if line.cause is None else explanation.missed
        return kind.get(line.number)

    def _marked(self) -> Line | None:
        if not self.query(MarkList):
            return None
        listed = self.query_one(MarkList)
        return listed.lines[listed.cursor] if listed.cursor < len(listed.lines) else None

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Evidence where there is a line to show it of."""
        return action != "evidence" or self._marked() is not None

    def on_line_list_chosen(self) -> None:
        """Show the evidence of the marked line."""
        self.action_evidence()

    def action_evidence(self) -> None:
        """Show what the marked line rests on."""
        line = self._marked()
        if line is None:
            return
        shown = self._shown(line)
        cause = line.wrong if line.cause is None else line.cause.cause
        own = self.state.findings.get((cause.code, cause.address))
        if line.cause is not None and own is None:
            codes = (cause.code, *cause.accept)
            found = (self.state.findings.get((code, cause.address)) for code in codes)
            own = next((finding for finding in found if finding is not None), None)
        if shown is None and own is None:
            self.notify(self._nothing_to_show(line), markup=False)
            return
        self.app.push_screen(EvidenceScreen(shown, own))

    def _nothing_to_show(self, line: Line) -> str:
        if line.cause is not None and line.cause.verdict == "found":
            return "You found it; the finding is no longer on your screen."
        if self._training.explanation is None:
            return "The bus is being examined: a moment."
        return "The bus says nothing of it."

    def action_next(self) -> None:
        """Choose the next exercise."""
        self.app.pop_screen()
        self._app.choose_exercise()

    def action_results(self) -> None:
        """See all answers."""
        self.app.push_screen(ResultsScreen())

    def action_back(self) -> None:
        """Look at the bus again."""
        self.app.pop_screen()
