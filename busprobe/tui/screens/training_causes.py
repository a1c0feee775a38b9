"""State the causes: pick each from the catalogue, and where it is; several may fit."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busprobe.model.errors import BusprobeError
from busprobe.model.line import FIRST_ADDRESS, LAST_ADDRESS
from busprobe.session.training_causes import GROUPS, Cause, Statement, answer_text
from busprobe.tui import training_words, words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import InTraining
from busprobe.tui.screens.training_marks import MarksScreen
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import Looks, Prose
from busprobe.tui.widgets.tick_row import TickRow

if TYPE_CHECKING:
    pass

_INPUTS = ("L1", "L2", "L3")
Place = tuple[int, str]


def _rows() -> tuple[str | Cause, ...]:
    rows: list[str | Cause] = []
    for group in GROUPS:
        rows += [group.title, *group.causes]
    return tuple(rows)


class CauseChoice(LineList):
    """The catalogue, in groups."""

    ROWS: ClassVar[tuple[str | Cause, ...]] = _rows()

    def entry_count(self) -> int:
        """Titles and causes."""
        return len(self.ROWS)

    @property
    def chosen(self) -> Cause | None:
        """The marked cause; None on a title."""
        row = self.ROWS[self.cursor]
        return row if isinstance(row, Cause) else None

    def action_move(self, by: int) -> None:
        """Move the mark over causes; titles are passed by."""
        super().action_move(by)
        if self.chosen is None:
            # The first row is a title: there is nothing above it to go on to.
            super().action_move(-1 if by < 0 and self.cursor else 1)

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """A title, or what a cause means."""
        c = self.colours
        row = self.ROWS[index]
        if isinstance(row, str):
            return [Text(f" {row}", Style(color=c.accent, bold=True))]
        return [Text(f"   {row.words}", Style(color=c.ink))]


class PlaceChoice(LineList):
    """Devices of the papers, and others that were found."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.places: list[Place] = []
        self.enabled = True

    def entry_count(self) -> int:
        """One for each address."""
        return len(self.places)

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Address and name."""
        c = self.colours
        address, name = self.places[index]
        number, ink = (c.accent, c.ink) if self.enabled else (c.dim, c.dim)
        return [
            Text.assemble(
                (f" {address:>3} ", Style(color=number, bold=True)), (name, Style(color=ink))
            )
        ]


class StatedList(LineList):
    """What was stated; alternatives stand in one row."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.stated: list[tuple[Statement, ...]] = []
        self.nothing = False

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.stated)

    def empty_text(self) -> str:
        """Nothing stated is not the same as nothing wrong."""
        if self.nothing:
            return " Nothing is wrong on this bus."
        return " Nothing stated yet: mark what and where, then a; n: nothing is wrong."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """The statement in words."""
        c, g = self.colours, self.glyphs
        line = Text(f" {g.dash} ", Style(color=c.accent, bold=True))
        for number, one in enumerate(self.stated[index]):
            if number:
                line.append(" or ", Style(color=c.warn, bold=True))
            line.append(training_words.statement(one), Style(color=c.ink))
        return [line]


class CausesScreen(InTraining, Looks, ModalScreen[None]):
    """The form of the answer."""

    SCOPE = Scope.CAUSES
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.CAUSES, modal=True)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    CausesScreen { align: center middle; background: $bp-paper 60%; }
    CausesScreen #sheet { width: 94%; max-width: 120; height: 94%; max-height: 40;
                          background: $bp-paper; border: round $bp-accent;
                          border-title-color: $bp-ink; border-title-style: bold; }
    CausesScreen #choices { height: 1fr; }
    CausesScreen #cause-choice { width: 1fr; border-top: solid $bp-faint; }
    CausesScreen #where { width: 30; border-left: solid $bp-faint; }
    CausesScreen #place-choice { height: 1fr; border-top: solid $bp-faint; }
    CausesScreen #other { height: 1; padding: 0 1; }
    CausesScreen .name { width: auto; color: $bp-dim; margin-right: 1; }
    CausesScreen #other-address { width: 6; }
    CausesScreen #stated { height: 6; border-top: solid $bp-faint; }
    CausesScreen LineList { border-title-color: $bp-ink; border-title-style: bold; }
    CausesScreen LineList:focus { border-top: solid $bp-accent; }
    CausesScreen #remark { height: auto; max-height: 3; padding: 0 1; }
    CausesScreen KeyLine { dock: bottom; height: 1; }
    """

    help_topic = "causes"

    def __init__(self, stated: list[tuple[Statement, ...]]) -> None:
        """Make the form.

        Args:
            stated: What was stated so far; changed in place, so that it is kept.
        """
        super().__init__()
        self._stated = stated

    def compose(self) -> ComposeResult:
        """Causes, places, inputs; below what was stated."""
        with Vertical(id="sheet") as sheet:
            sheet.border_title = "State the causes"
            with Horizontal(id="choices"):
                yield CauseChoice(id="cause-choice")
                with Vertical(id="where"):
                    yield PlaceChoice(id="place-choice")
                    with Horizontal(id="other"):
                        yield Static("other address", classes="name", markup=False)
                        yield Input(id="other-address", restrict=r"\d*", compact=True, max_length=3)
                    yield TickRow(_INPUTS, id="inputs")
            yield StatedList(id="stated")
            yield Prose(id="remark")
            yield KeyLine(Scope.CAUSES)

    def on_mount(self) -> None:
        """Offer every device that is known."""
        self.query_one(CauseChoice).border_title = "1. What"
        self.query_one(PlaceChoice).places = self._places()
        stated = self.query_one(StatedList)
        stated.stated = self._stated
        choice = self.query_one(CauseChoice)
        choice.cursor = 1
        choice.focus()
        self.refresh_state()

    def _places(self) -> list[Place]:
        given = self._training.given
        planned = {} if given is None else {p.address: words.safe(p.name) for p in given.papers}
        heard = {f.address for f in self.state.findings.values() if f.address is not None}
        others = (set(self.state.devices) | heard) - set(planned)
        extra: list[Place] = [(address, "not in the papers") for address in sorted(others)]
        return [*sorted(planned.items()), *extra]

    def refresh_state(self) -> None:
        """Show what is marked and what was stated."""
        cause = self.query_one(CauseChoice).chosen
        inputs = self.query_one(TickRow)
        inputs.enabled = cause is not None and cause.where == "inputs"
        places = self.query_one(PlaceChoice)
        places.enabled = cause is None or cause.where != "line"
        places.border_title = Content("2. Where" if places.enabled else "2. Where: the whole line")
        stated = self.query_one(StatedList)
        count = len(stated.stated)
        stated.border_title = Content(f"Your answer: {count} {'cause' if count == 1 else 'causes'}")
        for listed in self.query(LineList):
            listed.refresh_state()
        inputs.refresh_state()
        self.query_one("#remark", Prose).show(self._remark(cause))
        self.query_one(KeyLine).refresh_state()

    def _remark(self, cause: Cause | None) -> Text:
        c, g = self.colours, self.glyphs
        arrow = f"{g.right} "
        if self.state.running is not None:
            return Text(f"{g.warn} A step runs: stop it first (b, then x).", Style(color=c.warn))
        if cause is None:
            return Text(
                f"{arrow}Mark a cause with the arrow keys; Tab goes on.", Style(color=c.dim)
            )
        where = {
            "line": "It concerns the whole line: a adds it.",
            "address": "Tab, mark the device, a adds it.",
            "inputs": "Tab, mark the meter, 1 2 3 for its inputs, a adds it.",
        }[cause.where]
        return Text(f"{arrow}{where} o joins two where either fits.", Style(color=c.dim))

    def on_line_list_moved(self) -> None:
        """Another cause may concern something else."""
        self.refresh_state()

    def on_line_list_chosen(self, message: LineList.Chosen) -> None:
        """Enter goes on to the next choice, and adds at the last."""
        cause = self.query_one(CauseChoice).chosen
        if isinstance(message.control, CauseChoice) and cause is not None and cause.where != "line":
            self.query_one(PlaceChoice).focus()
        elif not isinstance(message.control, StatedList):
            self.action_add()

    def on_tick_row_changed(self) -> None:
        """An input was ticked."""
        self.refresh_state()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Only what is possible now."""
        if not self.query(StatedList):
            return False
        stated = self.query_one(StatedList)
        cause = self.query_one(CauseChoice).chosen
        match action:
            case "add":
                return cause is not None
            case "tick":
                return cause is not None and cause.where == "inputs"
            case "either":
                return len(stated.stated) > 1 and stated.cursor > 0
            case "remove":
                return bool(stated.stated)
            case "nothing":
                return not stated.stated and not stated.nothing
            case "hand_in":
                return (bool(stated.stated) or stated.nothing) and self.state.running is None
            case _:
                return True

    def action_add(self) -> None:
        """Add the marked cause."""
        cause = self.query_one(CauseChoice).chosen
        if cause is None:
            return
        address = None if cause.where == "line" else self._address()
        if cause.where != "line" and address is None:
            self.notify("Addresses go from 1 to 247.", markup=False)
            return
        ticked = self.query_one(TickRow).ticked if cause.where == "inputs" else ()
        if cause.where == "inputs" and not ticked:
            self.notify("Tick the inputs that it concerns: 1, 2, 3.", markup=False)
            return
        one = Statement(cause.code, address, ticked)
        stated = self.query_one(StatedList)
        stated.nothing = False
        if any(one in each for each in stated.stated):
            self.notify("That was stated already.", markup=False)
            return
        stated.stated.append((one,))
        stated.cursor = len(stated.stated) - 1
        self.query_one(TickRow).clear()
        self.query_one("#other-address", Input).value = ""
        self.refresh_state()

    def _address(self) -> int | None:
        """The other address, where one was typed, else the marked one."""
        typed = self.query_one("#other-address", Input).value.strip()
        if typed:
            number = int(typed) if typed.isdecimal() else 0
            return number if FIRST_ADDRESS <= number <= LAST_ADDRESS else None
        places = self.query_one(PlaceChoice)
        return places.places[places.cursor][0] if places.cursor < len(places.places) else None

    def on_input_submitted(self) -> None:
        """Enter behind an address adds."""
        self.action_add()

    def action_tick(self, name: str) -> None:
        """Tick an input, or not."""
        if self.check_action("tick", ()):
            self.query_one(TickRow).toggle(name)

    def action_either(self) -> None:
        """Join the marked statement with the one above."""
        stated = self.query_one(StatedList)
        if len(stated.stated) > 1 and stated.cursor > 0:
            joined = stated.stated.pop(stated.cursor)
            stated.cursor -= 1
            stated.stated[stated.cursor] += joined
            self.refresh_state()

    def action_remove(self) -> None:
        """Take the marked statement back."""
        stated = self.query_one(StatedList)
        if stated.stated:
            stated.stated.pop(min(stated.cursor, len(stated.stated) - 1))
            stated.cursor = max(0, stated.cursor - 1)
            self.refresh_state()

    def action_nothing(self) -> None:
        """State that nothing is wrong."""
        stated = self.query_one(StatedList)
        if not stated.stated:
            stated.nothing = True
            self.refresh_state()

    def action_hand_in(self) -> None:
        """Hand the answer in."""
        if not self.check_action("hand_in", ()):
            return
        try:
            self._training.answer(answer_text(self.query_one(StatedList).stated))
        except BusprobeError as error:
            self.notify(words.safe(str(error)), severity="error", markup=False)
            return
        self._stated.clear()
        self.dismiss()
        self._app.refresh_screens()
        self.app.push_screen(MarksScreen())

    def action_back(self) -> None:
        """Close; what was stated is kept."""
        self.dismiss()
