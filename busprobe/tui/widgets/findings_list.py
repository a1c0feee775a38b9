"""All findings, always in sight."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.content import Content

from busprobe.model.finding import Finding, Severity, certainty
from busprobe.tui import words
from busprobe.tui.widgets.uneven_list import UnevenList

# Rows in a tall window: for a row of each remedy, and where that lets all remedies be read whole.
_TALL = 6
_TALLEST = 8
# Rows of a remedy in a wide window.
_MOST_REMEDY = 5
# Rows above a remedy.
_HEAD = 2


class FindingsList(UnevenList):
    """Findings with sign, word, address and summary; opening one tells everything about it."""

    DEFAULT_CSS = """
    FindingsList { border-top: solid $bp-faint; border-title-color: $bp-ink;
                   border-title-style: bold; }
    FindingsList:focus { border-top: solid $bp-accent; }
    """

    def entry_count(self) -> int:
        """How many findings there are."""
        return len(self.state.findings)

    def entry_rows(self) -> int:
        """Where there is room also probability and remedy."""
        if self.size.height >= 20:
            width = self.scrollable_content_region.width - 6
            told = [len(self._told(finding, width)) for finding in self.state.findings.values()]
            return 3 + min(max(told, default=1), _MOST_REMEDY)
        return 3 if self.entry_count() * 3 <= self.size.height else 1

    def empty_text(self) -> str:
        """Nothing found is not the same as nothing wrong."""
        return " Nothing found so far."

    def finding_at(self, index: int) -> Finding | None:
        """The finding in this row."""
        ordered = self.state.ordered_findings
        return ordered[index] if 0 <= index < len(ordered) else None

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Sign, word, address, summary and probability."""
        c = self.colours
        finding = self.finding_at(index)
        if finding is None:
            return []
        shown = words.severity(finding.severity, self.glyphs, c)
        where = "bus" if finding.address is None else f"at {finding.address}"
        if self.entry_rows() > 1 or self.uneven:
            sure = certainty(finding.probability)
            return [
                Text.assemble(
                    (f" {shown.sign} {shown.word:<8}", Style(color=shown.colour, bold=True)),
                    (f"{where:<7}{sure} sure", Style(color=c.dim)),
                ),
                Text(f"   {words.told(finding.summary)}", Style(color=c.ink)),
                *self._remedy(finding, width),
            ]
        return [
            Text.assemble(
                (f" {shown.sign} {shown.word:<8}", Style(color=shown.colour, bold=True)),
                (f"{where:<7}", Style(color=c.dim)),
                (words.told(finding.summary), Style(color=c.ink)),
            )
        ]

    def _remedy(self, finding: Finding, width: int) -> list[Text]:
        style = Style(color=self.colours.dim)
        remedy = words.told(finding.remedy)
        whole = self.entry_rows() > 3 or self.uneven
        rows = self._told(finding, width - 6) if whole else [remedy]
        if len(rows) > _MOST_REMEDY:
            rows = [*rows[: _MOST_REMEDY - 1], rows[_MOST_REMEDY - 1] + self.glyphs.ellipsis]
        leads = (f"   {self.glyphs.right} ", *("     " for _ in rows))
        return [Text(lead + row, style) for lead, row in zip(leads, rows, strict=False)]

    def _told(self, finding: Finding, width: int) -> list[str]:
        return words.wrapped(words.told(finding.remedy), width)

    def refresh_state(self) -> None:
        """Show findings and their number."""
        faults = sum(f.severity is Severity.FAULT for f in self.state.findings.values())
        count = self.entry_count()
        word = "fault" if faults == 1 else "faults"
        title = f"Findings: {count} ({faults} {word})" if count else "Findings"
        if str(self.border_title) != title:
            self.border_title = Content(title)
        self._fit(count)
        super().refresh_state()

    def _fit(self, count: int) -> None:
        """Take three rows, in a tall window as many as there is something to say."""
        if self.screen.has_class("-wide"):
            self.lay_out(())
            if self.styles.inline.has_rule("height"):
                self.styles.height = None
            return
        rows, width = 3, self.size.width - 6
        self.lay_out(())
        if self.screen.has_class("-tall"):
            rows = max(3, min(_TALL, 3 * count if 3 * count <= _TALL else count))
            needed = [_HEAD + len(self._told(f, width)) for f in self.state.ordered_findings]
            if width > 0 and 0 < sum(needed) <= _TALLEST:
                self.lay_out(needed)
                rows = max(3, sum(needed))
        self.styles.height = rows + self.gutter.height
