"""What a step does on the bus, how far it is, and how it ended."""

from __future__ import annotations

from rich.style import Style

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.state import StepState, StepView
from busprobe.tui.widgets.canvas import Canvas
from busprobe.tui.widgets.panel import CanvasPanel

ABOUT = {
    Step.FIND: (
        "Listens first, then asks each address from 1 to 247 with a read request and "
        "identifies who answers. Nothing is written, nothing is broadcast."
    ),
    Step.ADDRESSES: (
        "Reads each known address again and again and listens for a second voice in the answers. "
        "Nothing is written."
    ),
    Step.LINK: "Only listens: nothing is sent.",
    Step.LINE: (
        "Listens first, then asks each known address short and long questions and counts what "
        "fails. Nothing is written. l only listens."
    ),
    Step.ENERGY: (
        "Reads all meters in turn and weighs whether they add up. Check the role of each first: "
        "m changes it. Nothing is written."
    ),
    Step.HANDOVER: (
        "Checks this line against a plan: who answers, readings, balance, and wiring where a load "
        "is given. Nothing is written. p writes the report."
    ),
    Step.BENCH: (
        "Tests one meter on the table: register map, answers, refusals, long reads, counter, "
        "accuracy. It only reads; u asks for every line setting, which writes."
    ),
    Step.WIRING: (
        "Reads one meter about once a second while you switch a load of known power. "
        "Nothing is written."
    ),
}
_ENDED = (StepState.DONE, StepState.STOPPED, StepState.FAILED)
_ROWS = 3


class StepCard(CanvasPanel):
    """Intent before, progress during, summary after a step."""

    DEFAULT_CSS = """
    StepCard { height: 3; }
    """

    def __init__(self, step: Step, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.step = step

    def shown_step(self) -> Step:
        """The step whose course is shown."""
        return self.step

    def refresh_state(self) -> None:
        """Show the step as it is now; one that ended takes no more rows than its summary."""
        view = self.state.steps[self.shown_step()]
        rows = _ROWS
        if self.size.width:
            shown, told = self._told(view)
            needed = min(_ROWS, len(words.wrapped(f"{shown}: {told}", self.size.width)))
            if view.state in _ENDED:
                rows = needed
            elif view.state is StepState.RUNNING:
                # How far it is has a row of its own: neither may write over the other.
                rows = max(_ROWS, needed + 1)
        self.styles.height = rows
        super().refresh_state()

    def draw(self, canvas: Canvas) -> None:
        """Draw the card."""
        view = self.state.steps[self.shown_step()]
        running = view.state is StepState.RUNNING
        self._prose(canvas, *self._told(view), canvas.height - running)
        if running:
            self._progress(canvas, view)

    def _told(self, view: StepView) -> tuple[words.Shown, str]:
        """What stands at the head of the text, and the text."""
        c, g = self.colours, self.glyphs
        match view.state:
            case StepState.DONE:
                return words.Shown(g.ok, "done", c.ok), words.told(view.summary)
            case StepState.STOPPED:
                return words.Shown(g.stopped, "stopped", c.warn), words.told(view.summary)
            case StepState.FAILED:
                return words.Shown(g.fail, "failed", c.fail), words.told(view.summary)
            case StepState.RUNNING:
                return words.Shown(g.running, "running", c.accent), self._doing(view)
            case StepState.TO_DO:
                return words.Shown(g.idle, "what it does", c.accent), ABOUT[self.step]

    def _doing(self, view: StepView) -> str:
        marks = self.state.marks
        if self.step is Step.WIRING and self.state.hands_help and marks:
            switched = "on" if marks[-1].on else "off"
            return f"simulated hands switch the load {switched} at {words.safe(marks[-1].phase)}."
        return words.told(view.intent)

    def _prose(self, canvas: Canvas, shown: words.Shown, text: str, room: int) -> None:
        lead = f"{shown}: "
        canvas.write(0, 0, lead, Style(color=shown.colour, bold=True))
        rows = words.wrapped(lead + text, canvas.width)
        if len(rows) > room:
            rows[room - 1 :] = [words.cut(" ".join(rows[room - 1 :]), canvas.width, self.glyphs)]
        for row, line in enumerate(rows[:room]):
            start = len(lead) if row == 0 else 0
            canvas.write(start, row, line[start:], Style(color=self.colours.ink))

    def _progress(self, canvas: Canvas, view: StepView) -> None:
        c, g = self.colours, self.glyphs
        row = canvas.height - 1
        if view.progress is None:
            # A verification is made of other steps: how far the one is that runs.
            parts = self.state.steps.values()
            running = (p for p in parts if p.state is StepState.RUNNING and p.progress)
            view = next(running, view)
        progress = view.progress
        if progress is None:
            return
        x = 0
        if progress.total > 0:
            width = max(10, canvas.width // 4)
            filled = round(width * min(1.0, progress.done / progress.total))
            canvas.write(0, row, g.bar[0] * filled, Style(color=c.accent))
            canvas.write(filled, row, g.bar[1] * (width - filled), Style(color=c.faint))
            canvas.write(width + 1, row, f"{words.percent(view):>5}", Style(color=c.ink, bold=True))
            x = width + 8
        if progress.remaining_s is not None:
            left = f"{words.duration(progress.remaining_s)} left"
            canvas.write(x, row, left, Style(color=c.ink))
            x += len(left) + 2
        text = words.cut(words.told(progress.text), canvas.width - x, g)
        canvas.write(x, row, text, Style(color=c.dim))
