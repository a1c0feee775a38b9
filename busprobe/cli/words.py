"""Results in words, for people at a terminal. Plain text: nothing from a device is interpreted."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Sequence

from busprobe.cli import output
from busprobe.model.finding import Finding, Severity

_SIGNS = {Severity.FAULT: "✘ FAULT", Severity.WARNING: "! WARNING", Severity.NOTE: "· NOTE"}
_ORDER = {Severity.FAULT: 0, Severity.WARNING: 1, Severity.NOTE: 2}
_WIDEST, _NARROWEST = 96, 40


def width() -> int:
    """Columns to fill: those of the terminal, or of a page where there is none."""
    if not sys.stdout.isatty():
        return _WIDEST
    return max(_NARROWEST, min(_WIDEST, shutil.get_terminal_size().columns - 1))


def paragraph(label: str, text: str) -> None:
    """A labelled paragraph, wrapped under its label."""
    lead = f"    {label:<9}"
    output.line(
        textwrap.fill(text, width(), initial_indent=lead, subsequent_indent=" " * len(lead))
    )


def findings(found: Sequence[Finding]) -> None:
    """All findings, faults first, with cause, evidence, remedy and caution."""
    if not found:
        output.line()
        output.line("No fault found.")
        return
    for finding in sorted(found, key=lambda f: (_ORDER[f.severity], f.address or 0, f.code)):
        output.line()
        output.line(f"{_SIGNS[finding.severity]}  {finding.summary}")
        paragraph("cause", finding.cause)
        if not finding.code.endswith("-undecided"):
            paragraph("sure", probability(finding.probability))
        for number, evidence in enumerate(finding.evidence[:6]):
            where = f"exchange {evidence.exchange}: " if evidence.exchange is not None else ""
            paragraph("evidence" if number == 0 else "", where + evidence.text)
        paragraph("remedy", finding.remedy)
        if finding.caution:
            paragraph("caution", finding.caution)


def probability(value: float) -> str:
    """A probability without false certainty."""
    if value > 0.9999:
        return "more than 99.99 %"
    return f"{100 * value:.2f} %"


def with_probability(verdict: str, value: float) -> str:
    """The probability of a verdict, to be put after it; nothing where none was reached."""
    return "" if verdict == "undecided" else f", probability {probability(value)}"


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> None:
    """A plain table; columns in `right` are aligned to the right, a long last column is wrapped."""
    last = len(heads) - 1
    widths = [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]
    lead = sum(widths[:last]) + 2 * last
    widths[last] = min(widths[last], max(width() - lead, 24))

    def show(cells: Sequence[str]) -> None:
        wrapped = textwrap.wrap(cells[last], widths[last]) or [""]
        parts = [
            cell.rjust(width) if n in right else cell.ljust(width)
            for n, (cell, width) in enumerate(zip(cells[:last], widths, strict=False))
        ]
        ending = wrapped[0].rjust(widths[last]) if last in right else wrapped[0]
        output.line("  ".join((*parts, ending)).rstrip())
        for more in wrapped[1:]:
            output.line(" " * lead + more)

    show(heads)
    output.line("  ".join("-" * width for width in widths))
    for row in rows:
        show(row)
