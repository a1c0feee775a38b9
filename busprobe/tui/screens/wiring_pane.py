"""The wiring step: choose meter and load, follow the requests, read the verdict."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Input, Select, Static

from busprobe.diagnosis.catalogue import CAUTION_CT
from busprobe.model.finding import certainty
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.state import StepState
from busprobe.tui.widgets.panel import Looks, Prose, section
from busprobe.tui.widgets.phasor import PhasorPair
from busprobe.tui.widgets.prompt_card import PromptCard
from busprobe.tui.widgets.step_card import StepCard
from busprobe.tui.widgets.trend import TrendPicture
from busprobe.tui.widgets.uneven_list import UnevenList
from busprobe.tui.widgets.wiring_table import WiringTable, right_ratio

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import Explanation, KnownLoad, WiringDiagnosis

_ONLY_WATCH = "watch"
_PLANS = (
    ("one phase after the other", "each"),
    ("L1 only", "L1"),
    ("L2 only", "L2"),
    ("L3 only", "L3"),
    ("three-phase load", "L1L2L3"),
    ("I do not know", "unknown"),
    ("no load: only watch", _ONLY_WATCH),
)
_LEAST_LOAD_W, _MOST_LOAD_W = 1.0, 1e6
_SIGN_WORDS = {
    "import-positive": "P positive = import.",
    "export-positive": "P positive = export.",
    "unknown": "Sign of P: not proven.",
}


class View(StrEnum):
    """What is shown of the wiring where not everything fits."""

    VERDICT = "verdict"
    PHASORS = "phasors"
    TREND = "trend"


# Columns of the bar and the probability.
_BESIDE_BAR = 24


class ExplanationList(UnevenList):
    """Wirings that fit, the most probable first."""

    DEFAULT_CSS = """
    ExplanationList { height: auto; max-height: 4; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.explanations: tuple[Explanation, ...] = ()

    def entry_count(self) -> int:
        """How many fit."""
        return len(self.explanations)

    def refresh_state(self) -> None:
        """Give each wiring the rows that its words need."""
        width = self.scrollable_content_region.width
        entries = range(self.entry_count()) if width else ()
        self.lay_out([len(self.entry_lines(index, width)) for index in entries])
        self.styles.height = max(1, min(4, self.row_of(self.entry_count())))
        super().refresh_state()

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """A bar, the probability, the wiring in brief."""
        c, g = self.colours, self.glyphs
        explanation = self.explanations[index]
        filled = round(10 * explanation.probability)
        first, *others = words.wrapped(brief(explanation), width - _BESIDE_BAR)
        ink = Style(color=c.ink)
        return [
            Text.assemble(
                (g.bar[0] * filled, Style(color=c.accent)),
                (g.bar[1] * (10 - filled), Style(color=c.faint)),
                (
                    f" {certainty(explanation.probability):>11}  ",
                    Style(color=c.ink, bold=True),
                ),
                (first, ink),
            ),
            *(Text(f"{'':{_BESIDE_BAR}}{row}", ink) for row in others),
        ]


class WiringPane(Looks, Vertical):
    """Form, request, trend, verdict."""

    DEFAULT_CSS = """
    WiringPane { height: 1fr; padding: 0 1; }
    WiringPane #form { height: 1; }
    WiringPane #meter { width: 1fr; }
    WiringPane .name { width: auto; color: $bp-dim; margin-right: 1; }
    WiringPane #load { width: 8; }
    WiringPane #plan { width: 29; margin-left: 1; }
    WiringPane #verdict { height: auto; }
    WiringPane #evidence { height: 1fr; }
    WiringPane #result { width: 1fr; height: 1fr; scrollbar-size-vertical: 1; }
    WiringPane #result, WiringPane PhasorPair { display: none; }
    WiringPane.-verdict #result { display: block; }
    WiringPane.-verdict #pictures { display: none; }
    WiringPane.-phasors PhasorPair { display: block; }
    WiringPane.-phasors TrendPicture { display: none; }
    """

    def __init__(self) -> None:
        super().__init__(id="pane-wiring")
        self._wished: View | None = None
        self._was_running = False

    def compose(self) -> ComposeResult:
        """Form, card, request, evidence."""
        with Horizontal(id="form", classes="form"):
            yield Prose(id="meter")
            yield Static("Load/W", classes="name", markup=False)
            yield Input("2000", id="load", type="number", compact=True, select_on_focus=False)
            yield Select(_PLANS, value="each", allow_blank=False, id="plan", compact=True)
        yield StepCard(Step.WIRING)
        yield PromptCard()
        with Horizontal(id="evidence"):
            with section(VerticalScroll(id="result"), "Verdict"):
                yield Prose(id="verdict")
                yield ExplanationList(id="explanations")
                yield Prose(id="remedy")
                yield WiringTable(id="wiring-table")
                yield Prose(id="advice")
            with Vertical(id="pictures"):
                yield section(PhasorPair(), "Phasors")
                yield section(TrendPicture(), "Power")

    def on_mount(self) -> None:
        """Show the state."""
        self.refresh_state()

    def next_view(self) -> None:
        """Change between verdict, phasors and trend, where they do not fit side by side."""
        views = tuple(View)
        self._wished = views[(views.index(self._shown()) + 1) % len(views)]
        self.refresh_state()

    def _shown(self) -> View:
        """The trend while the check runs, the verdict afterwards, or what was wished for."""
        state = self.state
        if state.wiring.get(state.selected or -1) is None:
            return View.TREND
        running = state.steps[Step.WIRING].state is StepState.RUNNING
        return self._wished or (View.TREND if running else View.VERDICT)

    def load(self, tolerance: float) -> KnownLoad | str | None:
        """The load as entered, None to only watch; what is wrong where it is no power.

        Args:
            tolerance: How well its power is known, as a share.
        """
        from busprobe.diagnosis.wiring import KnownLoad

        plan = str(self.query_one("#plan", Select).value)
        if plan == _ONLY_WATCH:
            return None
        try:
            power = float(self.query_one("#load", Input).value)
        except ValueError:
            power = -1.0
        if not _LEAST_LOAD_W <= power <= _MOST_LOAD_W:
            return "The power of the load must be a number of watts."
        return KnownLoad(power, tolerance, plan)

    def refresh_state(self) -> None:
        """Show request, trend and verdict as they are now."""
        c = self.colours
        state = self.state
        device = state.devices.get(state.selected or -1)
        meter = Text("Meter ", Style(color=c.dim))
        if device is None:
            meter.append("none yet", Style(color=c.dim))
        else:
            meter.append(f"{device.address} ", Style(color=c.accent, bold=True))
            meter.append(words.safe(device.identity.model), Style(color=c.ink, bold=True))
        self.query_one("#meter", Prose).show(meter)
        self.query_one(StepCard).refresh_state()
        self.query_one(PromptCard).refresh_state()
        running = state.steps[Step.WIRING].state is StepState.RUNNING
        diagnosis = state.wiring.get(state.selected or -1)
        self.query_one(StepCard).display = state.prompt is None and (running or diagnosis is None)
        if running != self._was_running:
            self._was_running, self._wished = running, None
        for view in View:
            self.set_class(view is self._shown(), f"-{view}")
        self.set_class(diagnosis is not None and not running, "-result")
        trend = self.query_one(TrendPicture)
        mine = state.selected is not None and state.selected == state.wiring_address
        trend.since_s = state.wiring_since_s if mine else None
        trend.diagnosis = diagnosis if mine else None
        trend.refresh_state()
        self._show_diagnosis(diagnosis)

    def _show_diagnosis(self, diagnosis: WiringDiagnosis | None) -> None:
        listed = self.query_one(ExplanationList)
        listed.explanations = diagnosis.explanations if diagnosis else ()
        listed.refresh_state()
        if diagnosis is None:
            self.query_one("#verdict", Prose).show(Text())
            return
        c, g = self.colours, self.glyphs
        shown = words.verdict(diagnosis.verdict, g, c)
        verdict = Text.assemble(
            (f"{shown.sign} {shown.word.upper()}", Style(color=shown.colour, bold=True)),
            (f"  {certainty(diagnosis.probability)} sure. ", Style(color=c.ink)),
            (_SIGN_WORDS.get(diagnosis.sign, ""), Style(color=c.dim)),
        )
        self.query_one("#verdict", Prose).show(verdict)
        self._show_explanation()

    def _show_explanation(self) -> None:
        c, g = self.colours, self.glyphs
        listed = self.query_one(ExplanationList)
        diagnosis = self.state.wiring.get(self.state.selected or -1)
        advice = Text()
        table = self.query_one(WiringTable)
        explanation = None
        if listed.explanations:
            explanation = listed.explanations[min(listed.cursor, len(listed.explanations) - 1)]
            table.styles.height = 2 + max(len(explanation.cts), len(explanation.voltages))
        table.show(explanation)
        self.query_one(PhasorPair).show(explanation)
        table.display = explanation is not None
        remedy = Text()
        if explanation is not None and explanation.remedy:
            remedy.append(f"{g.right} Remedy: ", Style(color=c.accent, bold=True))
            remedy.append(words.told(explanation.remedy), Style(color=c.ink))
        if diagnosis is not None:
            if diagnosis.next_experiment:
                lead = "\n" if remedy else ""
                remedy.append(
                    f"{lead}{g.right} Next experiment: ", Style(color=c.accent, bold=True)
                )
                remedy.append(words.told(diagnosis.next_experiment), Style(color=c.ink))
            if diagnosis.verdict.value != "correct":
                advice.append(f"{g.warn} Caution: {CAUTION_CT}\n", Style(color=c.warn))
            for text in diagnosis.not_identifiable:
                advice.append(f"{g.unknown} Not told by this: ", Style(color=c.dim, bold=True))
                advice.append(words.safe(text) + "\n", Style(color=c.dim))
        self.query_one("#remedy", Prose).show(remedy)
        self.query_one("#advice", Prose).show(advice)

    def on_line_list_moved(self) -> None:
        """Show the explanation that is marked."""
        self._show_explanation()


def brief(explanation: Explanation) -> str:
    """A wiring in a few words: only what is not as it should be."""
    wrong = []
    for ct in explanation.cts:
        parts = []
        if ct.conductor == "none":
            parts.append("sees no current")
        elif ct.conductor != ct.input:
            parts.append(f"on {ct.conductor}")
        if ct.direction == "reversed":
            parts.append("reversed")
        if ct.ratio is not None and not right_ratio(ct):
            parts.append(f"ratio x{ct.ratio:.2f}")
        if parts:
            wrong.append(f"CT {ct.input} {' and '.join(parts)}")
    leads = (v for v in explanation.voltages if v.conductor != v.input)
    wrong += [f"U {lead.input} on {lead.conductor}" for lead in leads]
    if explanation.neutral != "N":
        wrong.append(f"neutral on {explanation.neutral}")
    return ", ".join(wrong) or "everything as it should be"
