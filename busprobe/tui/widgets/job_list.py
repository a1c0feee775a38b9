"""The steps of the job and the bench test, each with its state as a sign and a word."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.widgets.line_list import LineList

STEPS = tuple(Step)


class JobList(LineList):
    """The job; choosing a step shows it."""

    DEFAULT_CSS = """
    JobList { width: 17; border-right: solid $bp-faint; scrollbar-size-vertical: 0; }
    JobList:focus { border-right: solid $bp-accent; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.current = Step.LINK

    def entry_count(self) -> int:
        """Seven steps, and the bench test."""
        return len(STEPS)

    def entry_rows(self) -> int:
        """Title and state; in a tall window also a line of air."""
        return 3 if self.size.height >= 3 * len(STEPS) else 2

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Number, title, sign and word."""
        c, g = self.colours, self.glyphs
        step = STEPS[index]
        here = step is self.current
        shown = words.step(self.state, step, g, c)
        title = Text.assemble(
            (g.running if here else " ", Style(color=c.accent)),
            (f"{index + 1} ", Style(color=c.accent, bold=True)),
            (words.STEP_TITLES[step], Style(color=c.ink, bold=here)),
        )
        state = Text.assemble(("   ", ""), (str(shown), Style(color=shown.colour)))
        return [title, state]
