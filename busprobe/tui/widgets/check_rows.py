"""Checks in a list: outcome and title of each."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text

from busprobe.model.check import Check
from busprobe.tui import words
from busprobe.tui.widgets.line_list import LineList

# Columns of the outcome and its sign.
_OUTCOME = 17


class CheckRows(LineList):
    """A row for each check."""

    @property
    def checks(self) -> tuple[Check, ...]:
        """What is listed."""
        raise NotImplementedError

    def told(self, check: Check) -> Text:
        """What stands behind the outcome."""
        raise NotImplementedError

    def too_long(self, check: Check) -> Text:
        """What stands behind the outcome and a row, for the place below; empty where a row does."""
        width = self.scrollable_content_region.width
        told = self.told(check)
        if not width or _OUTCOME + told.cell_len <= width:
            return Text()
        return told.append("\n")

    def check_at(self, index: int) -> Check | None:
        """The check in this row."""
        return self.checks[index] if 0 <= index < len(self.checks) else None

    def entry_count(self) -> int:
        """How many there are."""
        return len(self.checks)

    def empty_text(self) -> str:
        """Before any check."""
        return "Checks appear here: PASS, FAIL, NOT TESTED, NOT APPLICABLE."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Outcome, and what it is about."""
        check = self.check_at(index)
        if check is None:
            return []
        shown = words.check(check.outcome, self.glyphs, self.colours)
        sign = (f"{shown.sign} {shown.word:<{_OUTCOME - 2}}", Style(color=shown.colour, bold=True))
        return [Text.assemble(sign, self.told(check))]
