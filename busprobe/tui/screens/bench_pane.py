"""The bench test: one meter on the table, its checks, how it answers, and its label."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Input, Select, Static

from busprobe.model.check import Check
from busprobe.model.errors import InputError
from busprobe.model.line import FIRST_ADDRESS
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.widgets.bench_picture import BenchPicture, View
from busprobe.tui.widgets.check_rows import CheckRows
from busprobe.tui.widgets.panel import Looks, Prose, section
from busprobe.tui.widgets.step_card import StepCard
from busprobe.tui.widgets.views import Views

if TYPE_CHECKING:
    from busprobe.session.bench import BenchWish

# As in `busprobe.diagnosis.bench.CLASSES`, which is not loaded before the first picture.
_CLASSES = ("0.2S", "0.5S", "0.5", "1", "2", "A", "B", "C")
_HIGHEST_UNIT = 255
_LEAST_REQUESTS = 10


class BenchCheckList(CheckRows):
    """A row for each check of the bench test."""

    DEFAULT_CSS = """
    BenchCheckList { height: 1fr; min-height: 3; }
    """

    @property
    def checks(self) -> tuple[Check, ...]:
        """Those of the bench test."""
        return tuple(self.state.bench_checks.values())

    def told(self, check: Check) -> Text:
        """Title; the setting or quantity where there are several alike."""
        c = self.colours
        line = Text(words.safe(check.title), Style(color=c.ink))
        _, _, setting = check.subject.partition(" at ")
        if setting:
            line.append(f"  at {words.safe(setting)}", Style(color=c.dim))
        return line


class BenchPane(Views, Looks, Vertical):
    """Form, card, checks, pictures."""

    DEFAULT_CSS = """
    BenchPane { height: 1fr; padding: 0 1; }
    BenchPane .row { height: 1; }
    BenchPane .name { width: auto; color: $bp-dim; margin-right: 1; }
    BenchPane #bench-address { width: 6; margin-right: 2; }
    BenchPane #bench-requests { width: 8; margin-right: 2; }
    BenchPane #bench-watch { width: 8; margin-right: 2; }
    BenchPane #bench-class { width: 10; margin-right: 2; }
    BenchPane #bench-rated { width: 8; margin-right: 2; }
    BenchPane #bench-reference { width: 1fr; }
    BenchPane #bench-check { height: 3; }
    BenchPane #bench-files { height: auto; max-height: 3; }
    BenchPane BenchPicture { display: none; }
    BenchPane BenchCheckList, BenchPane #bench-check { display: none; }
    BenchPane.-checks BenchCheckList, BenchPane.-checks #bench-check { display: block; }
    BenchPane.-settings #bench-settings { display: block; }
    BenchPane.-map #bench-map { display: block; }
    BenchPane.-label #bench-label { display: block; }
    """

    views = tuple(View)

    def __init__(self) -> None:
        super().__init__(id="pane-bench")

    def compose(self) -> ComposeResult:
        """Form, card, checks, pictures."""
        with Horizontal(classes="row"):
            yield Static("Address", classes="name", markup=False)
            yield Input(id="bench-address", type="integer", compact=True, max_length=3)
            yield Static("Requests", classes="name", markup=False)
            yield Input("100", id="bench-requests", type="integer", compact=True, max_length=6)
            yield Static("Watch/s", classes="name", markup=False)
            yield Input("60", id="bench-watch", type="number", compact=True, max_length=6)
        with Horizontal(classes="row"):
            yield Static("Class", classes="name", markup=False)
            yield Select(
                [(name, name) for name in _CLASSES],
                value="1", allow_blank=False, id="bench-class", compact=True,
            )  # fmt: skip
            yield Static("Rated/A", classes="name", markup=False)
            yield Input(id="bench-rated", type="number", compact=True, placeholder="?")
            yield Static("Reference", classes="name", markup=False)
            yield Input(
                id="bench-reference", compact=True, select_on_focus=False,
                placeholder="V_L1=230.4 P=1020",
            )  # fmt: skip
        yield StepCard(Step.BENCH)
        yield section(BenchCheckList(id="bench-list"), "Checks")
        yield section(Prose(id="bench-check"), "What the marked check rests on")
        yield section(BenchPicture(View.SETTINGS, id="bench-settings"), "Line settings")
        yield section(BenchPicture(View.MAP, id="bench-map"), "Register map")
        yield section(BenchPicture(View.LABEL, id="bench-label"), "Label")
        yield Prose(id="bench-files")

    @property
    def address(self) -> int | None:
        """The address to test: the one typed, else the selected device, else 1."""
        text = self.query_one("#bench-address", Input).value.strip()
        if not text:
            return self.state.selected or FIRST_ADDRESS
        number = int(text) if text.isdecimal() else 0
        return number if FIRST_ADDRESS <= number <= _HIGHEST_UNIT else None

    def wish(self, nominal_v: float = 230.0, *, with_cts: bool = False) -> BenchWish | str:
        """What is to be tested, or why it cannot be.

        Args:
            nominal_v: Nominal voltage on its terminals, line to neutral [V].
            with_cts: Whether it is connected through CTs.
        """
        from busprobe.diagnosis.bench import Rating, parse_references
        from busprobe.procedures.bench_meter import BenchPlan
        from busprobe.session.bench import BenchWish

        address = self.address
        if address is None:
            return "Give the address of the meter, 1 to 247."
        requests = self._number("#bench-requests")
        watch_s = self._number("#bench-watch")
        if requests is None or requests < _LEAST_REQUESTS:
            return f"Give at least {_LEAST_REQUESTS} requests."
        if watch_s is None:
            return "Give how long to hold the counter against the power, in seconds."
        rated = self._number("#bench-rated") or None
        try:
            references = parse_references(self.query_one("#bench-reference", Input).value)
        except InputError as error:
            return str(error)
        known = Rating(str(self.query_one("#bench-class", Select).value), rated, with_cts)
        plan = BenchPlan(int(requests), watch_s, references, known, nominal_v)
        return BenchWish(address, plan)

    def _number(self, field: str) -> float | None:
        text = self.query_one(field, Input).value.strip()
        try:
            value = float(text)
        except ValueError:
            return None
        return value if 0 <= value < float("inf") else None

    def refresh_state(self) -> None:
        """Show checks, pictures and files."""
        place = self.query_one("#bench-address", Input)
        place.placeholder = str(self.state.selected or FIRST_ADDRESS)
        self.query_one(StepCard).refresh_state()
        self.query_one(BenchCheckList).refresh_state()
        for picture in self.query(BenchPicture):
            picture.refresh_state()
        self._show_check()
        self._show_files()

    def _show_check(self) -> None:
        c, g = self.colours, self.glyphs
        listed = self.query_one(BenchCheckList)
        check = listed.check_at(listed.cursor)
        text = Text()
        if check is not None:
            text.append_text(listed.too_long(check))
            parts = (("expected", check.planned), ("found", check.found),
                     ("note", check.uncertainty))  # fmt: skip
            for name, value in parts:
                if value:
                    text.append(f"{name} ", Style(color=c.dim))
                    text.append(f"{words.safe(value)}  ", Style(color=c.ink))
            for piece in check.evidence[:2]:
                text.append(f"\n{g.note} {words.evidence(piece)}", Style(color=c.ink))
        self.query_one("#bench-check", Prose).show(text)

    def _show_files(self) -> None:
        c, g = self.colours, self.glyphs
        state = self.state
        text = Text()
        if state.bench is not None and state.report is not None:
            text.append(f"{g.note} Report ", Style(color=c.dim))
            text.append(words.safe(state.report.files[0]), Style(color=c.ink))
            more = len(state.report.files) - 1
            text.append(f" and {more} more" if more else "", Style(color=c.dim))
        shown = self.query_one("#bench-files", Prose)
        shown.display = bool(text)
        shown.show(text)

    def on_line_list_moved(self) -> None:
        """Show what the marked check rests on."""
        self._show_check()
