"""A bench test as a document and in words."""

from __future__ import annotations

import dataclasses

from busprobe.cli import output, words
from busprobe.cli.documents_bench import BenchResult, BenchSettingsPart
from busprobe.cli.documents_handover import CheckPart, ReportFilePart
from busprobe.diagnosis.bench import BenchSheet, ModelSheet, SettingsStatistics
from busprobe.model.check import Check
from busprobe.model.line import told_together
from busprobe.session.bench import NOT_CONFIRMED

_SIGNS = {"PASS": "✔", "FAIL": "✘", "NOT TESTED": "-", "NOT APPLICABLE": "·"}


def check_part(check: Check) -> CheckPart:
    """One check."""
    return CheckPart.model_validate(
        {
            "name": check.name,
            "subject": check.subject,
            "title": check.title,
            "planned": check.planned,
            "found": check.found,
            "outcome": check.outcome.value,
            "uncertainty": check.uncertainty,
            "evidence": [{"exchange": e.exchange, "text": e.text} for e in check.evidence],
            "finding_codes": list(check.finding_codes),
        }
    )


def _model(sheet: ModelSheet) -> dict[str, object]:
    return {
        "id": sheet.model_id,
        "name": sheet.name,
        "address": sheet.register,
        "length": sheet.length,
        "published_length": sheet.published,
        "length_right": sheet.length_right,
        "mandatory": sheet.mandatory,
        "missing": list(sheet.missing),
        "unreadable": list(sheet.unreadable),
        "beyond": list(sheet.beyond),
        "absent": list(sheet.absent),
        "uncounted": list(sheet.uncounted),
        "wrong_scales": list(sheet.wrong_scales),
        "wrong_marks": list(sheet.wrong_marks),
    }


def _settings(found: SettingsStatistics) -> dict[str, object]:
    return {
        "settings": found.settings,
        "current": found.current,
        "measured": found.measured.value,
        "why": found.why,
        "requests": found.requests,
        "answered": found.answered,
        "turnaround_ms": {
            "median": found.median_ms,
            "p95": found.p95_ms,
            "worst": found.worst_ms,
        },
        "gap_ms": found.gap_ms,
    }


def bench_result(sheet: BenchSheet, files: list[ReportFilePart]) -> BenchResult:
    """The document of a bench test."""
    return BenchResult.model_validate(
        {
            "address": sheet.address,
            "passed": sheet.passed,
            "complete": sheet.complete,
            "checks": [check_part(c) for c in sheet.checks],
            "models": [_model(m) for m in sheet.models],
            "settings": [_settings(s) for s in sheet.statistics],
            "settings_note": sheet.settings_note,
            "references": [
                {**dataclasses.asdict(r), "outcome": r.outcome.value} for r in sheet.references
            ],
            "written": list(sheet.written),
            "label": sheet.label,
            "files": files,
        }
    )


def show_sheet(result: BenchResult) -> None:
    """Print a bench test."""
    show_checks(result.checks)
    output.line()
    output.line("Line settings that it offers")
    words.table(
        ("settings", "requests", "answered", "median", "95 %", "longest", "rest", ""),
        [_row(s) for s in result.settings if s.measured != "not-measured"],
        right=(1, 2, 3, 4, 5, 6),
    )
    untested = [s.settings for s in result.settings if s.measured == "not-measured"]
    if untested:
        output.line(f"Offered, not measured: {told_together(untested)}.")
    if result.settings_note:
        lead = "Afterwards it" if result.written else "Other settings:"
        output.line(f"{lead} {result.settings_note}.")
        if result.settings_note == NOT_CONFIRMED:
            output.line("Add --all-settings: it shows every write first, and asks.")
    output.line()
    output.line("Label")
    for line in result.label.splitlines():
        output.line(f"    {line}")


def _ms(value: float | None) -> str:
    return "" if value is None else f"{value:.1f} ms"


def _row(found: BenchSettingsPart) -> tuple[str, ...]:
    took = found.turnaround_ms
    note = "as found" if found.current else found.measured.replace("-", " ")
    if found.measured == "failed":
        note = found.why
    counts = (str(found.requests), str(found.answered)) if found.requests else ("", "")
    return (
        found.settings, *counts, _ms(took.median), _ms(took.p95), _ms(took.worst),
        _ms(found.gap_ms), note,
    )  # fmt: skip


def show_checks(checks: list[CheckPart]) -> None:
    """Print checks, one after the other."""
    subject = checks[0].subject if checks else ""
    for check in checks:
        place = check.subject.removeprefix(subject).strip(" ,")
        extra = f" ({place})" if place and place not in check.title else ""
        output.line(f"{_SIGNS[check.outcome]} {check.outcome:<15}{check.title}{extra}")
        if check.planned:
            words.paragraph("expected", check.planned)
        words.paragraph("found", check.found)
        if check.uncertainty:
            words.paragraph("", check.uncertainty)
        for evidence in check.evidence[:4]:
            words.paragraph("evidence", evidence.text)
