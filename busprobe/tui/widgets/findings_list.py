"""All findings, always in sight."""

from __future__ import annotations

from rich.style import Style
from rich.text import Text
from textual.content import Content

from busprobe.model.finding import Finding, Severity
from busprobe.tui import words
from busprobe.tui.widgets.line_list import LineList


class FindingsList(LineList):
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
            return 5
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
        if self.entry_rows() > 1:
            sure = words.certainty(finding.probability)
            return [
                Text.assemble(
                    (f" {shown.sign} {shown.word:<8}", Style(color=shown.colour, bold=True)),
                    (f"{where:<7}{sure} sure", Style(color=c.dim)),
                ),
                Text(f"   {words.safe(finding.summary)}", Style(color=c.ink)),
                *self._remedy(finding, width),
            ]
        return [
            Text.assemble(
                (f" {shown.sign} {shown.word:<8}", Style(color=shown.colour, bold=True)),
                (f"{where:<7}", Style(color=c.dim)),
                (words.safe(finding.summary), Style(color=c.ink)),
            )
        ]

    def _remedy(self, finding: Finding, width: int) -> list[Text]:
        style = Style(color=self.colours.dim)
        remedy = words.safe(finding.remedy)
        first, *rest = words.wrapped(remedy, width - 6) if self.entry_rows() > 3 else [remedy]
        lines = [Text(f"   {self.glyphs.right} {first}", style)]
        if rest:
            more = self.glyphs.ellipsis if len(rest) > 1 else ""
            lines.append(Text(f"     {rest[0]}{more}", style))
        return lines

    def refresh_state(self) -> None:
        """Show findings and their number."""
        faults = sum(f.severity is Severity.FAULT for f in self.state.findings.values())
        count = self.entry_count()
        word = "fault" if faults == 1 else "faults"
        title = f"Findings: {count} ({faults} {word})" if count else "Findings"
        self.border_title = Content(title)
        super().refresh_state()
