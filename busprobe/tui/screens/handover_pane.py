"""The handover step: the site against its plan, the report, and where everything is kept."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, cast

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.geometry import Region
from textual.widgets import Input, Select, Static

from busprobe.model.check import Check
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.widgets.check_rows import CheckRows
from busprobe.tui.widgets.panel import Looks, Prose, section
from busprobe.tui.widgets.prompt_card import PromptCard
from busprobe.tui.widgets.step_card import StepCard

if TYPE_CHECKING:
    from busprobe.session.handover import VerifyWish
    from busprobe.tui.options import Chosen

_STATES = (("as found", 0), ("as left", 1))
_ORDER = ("FAIL", "NOT TESTED", "PASS", "NOT APPLICABLE")
_REACH = (("whole line", 0), ("planned addresses only", 1))


class CheckList(CheckRows):
    """A row for each check: outcome, what it concerns, what it asks."""

    DEFAULT_CSS = """
    CheckList { height: 1fr; min-height: 2; }
    """

    @property
    def checks(self) -> tuple[Check, ...]:
        """Those of the plan: in the order in which they come, at the end what failed first."""
        made = tuple(self.state.checks.values())
        if self.state.running is Step.HANDOVER:
            return made
        return tuple(sorted(made, key=lambda check: _ORDER.index(check.outcome.value)))

    def told(self, check: Check) -> Text:
        """What it concerns, and what it asks."""
        c = self.colours
        return Text.assemble(
            (f"{words.safe(check.subject)}: ", Style(color=c.dim)),
            (words.safe(check.title), Style(color=c.ink)),
        )


class HandoverPane(Looks, Vertical):
    """Form, card, checks, evidence, files."""

    DEFAULT_CSS = """
    HandoverPane { height: 1fr; padding: 0 1; }
    HandoverPane .row { height: 1; }
    HandoverPane .name { width: auto; color: $bp-dim; margin-right: 1; }
    HandoverPane #plan-file { width: 1fr; }
    HandoverPane #verify-load { width: 8; margin-right: 2; }
    HandoverPane #verify-state { width: 14; margin-right: 2; }
    HandoverPane #verify-reach { width: 28; }
    HandoverPane #check { height: auto; max-height: 8; }
    HandoverPane #files { height: auto; max-height: 5; }
    """

    def __init__(self) -> None:
        super().__init__(id="pane-handover")
        self._offered = ""

    def compose(self) -> ComposeResult:
        """Form, card, request, checks, files."""
        with Horizontal(classes="row"):
            yield Static("Plan", classes="name", markup=False)
            yield Input(
                id="plan-file", compact=True, select_on_focus=False,
                placeholder="file of the plan, such as mill-lane.plan.yaml",
            )  # fmt: skip
        with Horizontal(classes="row form"):
            yield Static("Load/W", classes="name", markup=False)
            yield Input(
                id="verify-load", type="number", compact=True, select_on_focus=False,
                placeholder="none",
            )  # fmt: skip
            yield Select(_STATES, value=0, allow_blank=False, id="verify-state", compact=True)
            yield Select(_REACH, value=0, allow_blank=False, id="verify-reach", compact=True)
        yield StepCard(Step.HANDOVER)
        yield PromptCard()
        yield section(CheckList(id="check-list"), "Checks")
        yield section(Prose(id="check"), "What the marked check rests on")
        yield section(Prose(id="files"), "What is kept")

    def on_mount(self) -> None:
        """Show the state."""
        self.refresh_state()

    @property
    def plan_file(self) -> Path | None:
        """The plan that is open, None while none is named."""
        field = self.query_one_optional("#plan-file", Input)
        name = field.value.strip() if field is not None else ""
        return Path(name).expanduser() if name else None

    def wish(self, chosen: Chosen) -> VerifyWish | str:
        """What is to be verified, or why it cannot be.

        Args:
            chosen: The options of this step.
        """
        from busprobe.diagnosis.wiring import KnownLoad
        from busprobe.session.handover import VerifyWish

        plan_file = self.plan_file
        if plan_file is None:
            return "Type the file of the plan first (Tab reaches the field)."
        text = self.query_one("#verify-load", Input).value.strip()
        try:
            power = float(text) if text else 0.0
        except ValueError:
            power = -1.0
        if power < 0:
            return "The power of the load must be a number of watts, or empty."
        return VerifyWish(
            plan_file,
            KnownLoad(power, (chosen.number("verify-tolerance") or 10.0) / 100) if power else None,
            as_left=bool(self.query_one("#verify-state", Select).value),
            quick=bool(self.query_one("#verify-reach", Select).value),
            kept_in=chosen.path("kept-in"),
            groups=cast("tuple[str, ...]", chosen.value("only")),
            insist=chosen.yes("verify-insist"),
            watch_s=chosen.number("verify-watch") or 120.0,
            links=cast("tuple[str, ...]", chosen.value("links")),
        )

    def refresh_state(self) -> None:
        """Show checks and files."""
        field = self.query_one("#plan-file", Input)
        if self.state.plan_file and self.state.plan_file != self._offered:
            # A plan that was just written is the one to verify.
            self._offered = field.value = self.state.plan_file
            # Of a long path the name of the file tells most.
            self.call_after_refresh(
                field.scroll_to_region, Region(len(field.value), 0, 1, 1), force=True, animate=False
            )
        self.query_one(StepCard).display = self.state.prompt is None
        self.query_one(StepCard).refresh_state()
        self.query_one(PromptCard).refresh_state()
        self.query_one(CheckList).refresh_state()
        self._show_check()
        self._show_files()

    def _show_check(self) -> None:
        c, g = self.colours, self.glyphs
        listed = self.query_one(CheckList)
        check = listed.check_at(listed.cursor)
        text = Text()
        if check is not None:
            text.append_text(listed.too_long(check))
            parts = (("planned", check.planned), ("found", check.found),
                     ("uncertainty", check.uncertainty))  # fmt: skip
            for name, value in parts:
                if value:
                    text.append(f"{name} ", Style(color=c.dim))
                    text.append(f"{words.safe(value)}  ", Style(color=c.ink))
            for piece in check.evidence[:4]:
                text.append(f"\n{g.note} {words.evidence(piece)}", Style(color=c.ink))
        self.query_one("#check", Prose).show(text)
        self.query_one("#check").display = check is not None

    def _show_files(self) -> None:
        c, g = self.colours, self.glyphs
        state = self.state
        text = Text()
        if state.checks:
            text.append(f"{_totals(state.checks.values())}\n", Style(color=c.ink, bold=True))
        text.append("Recording ", Style(color=c.dim))
        if state.recording:
            text.append(words.safe(state.recording), Style(color=c.ink))
        else:
            replayed = state.endpoint is not None and state.endpoint.kind.value == "replay"
            why = "none: this is a recording" if replayed else "none"
            text.append(why, Style(color=c.dim))
        if state.report is not None:
            good = state.report.conclusion == "PASS"
            sign, colour = (g.ok, c.ok) if good else (g.warn, c.warn)
            text.append(f"\n{sign} Report: ", Style(color=colour, bold=True))
            text.append(
                f"{words.safe(state.report.conclusion)}. {words.safe(state.report.text)}",
                Style(color=c.ink),
            )
            for file in state.report.files:
                text.append(f"\n  {words.safe(file)}", Style(color=c.ink))
        self.query_one("#files", Prose).show(text)

    def on_line_list_moved(self) -> None:
        """Show what the marked check rests on."""
        self._show_check()


def _totals(checks: Collection[Check]) -> str:
    """All checks by their outcome, those of other lines and of the plan alone included."""
    outcomes = Counter(check.outcome.value for check in checks)
    told = [f"{outcomes[word]} {word}" for word in _ORDER if outcomes[word]]
    return f"All {len(checks)} checks: {', '.join(told)}"
