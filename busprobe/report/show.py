"""Numbers, times and verdicts as the pages show them."""

from __future__ import annotations

import base64
from collections.abc import Callable
from datetime import datetime
from typing import Any

from busprobe.model.reading import PHASES
from busprobe.report.content import CheckEntry, LoadStepEntry, MeterReadings

_SIGNS = {
    "PASS": "pass",
    "FAIL": "fail",
    "NOT TESTED": "open",
    "NOT APPLICABLE": "none",
    "INCOMPLETE": "open",
    "fault": "fail",
    "warning": "open",
    "note": "none",
    "correct": "pass",
    "ambiguous": "open",
    "inconsistent": "open",
    "undecided": "open",
    "single": "pass",
    "duplicate": "fail",
    "open": "fail",
    "not found again": "pass",
}
_NARROW = "\u202f"
_LONG_WORD = 24


def sign(word: str) -> str:
    """Which sign goes with a word: pass, fail, open or none."""
    return _SIGNS.get(word, "none")


def moment(text: str) -> str:
    """An ISO 8601 instant as people write it, with its UTC offset."""
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return text
    offset = when.strftime("%z")
    shown = f" (UTC{offset[:3]}:{offset[3:5]})" if offset else ""
    return f"{when:%Y-%m-%d %H:%M:%S}{shown}"


def number(value: float | None, digits: int = 1) -> str:
    """A number with a true minus and narrow spaces; a dash where there is none."""
    if value is None:
        return "–"
    return f"{value:,.{digits}f}".replace(",", _NARROW).replace("-", "−")


def signed(value: float | None, digits: int = 0) -> str:
    """A number with its sign, except for zero."""
    if value is None:
        return "–"
    shown = f"{value:+,.{digits}f}"
    if not shown.strip("+-0.,"):
        shown = shown.lstrip("+-")
    return shown.replace(",", _NARROW).replace("-", "−")


def probability(value: float) -> str:
    """A probability without false certainty."""
    return f"more than 99.99{_NARROW}%" if value > 0.9999 else f"{100 * value:.2f}{_NARROW}%"


def span(seconds: float) -> str:
    """A duration in the unit in which people say it."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 120:
        return f"{minutes} min {rest} s"
    return f"{minutes // 60} h {minutes % 60} min"


def short(digest: str) -> str:
    """A digest in groups, so that two of them can be compared by eye."""
    return " ".join(digest[n : n + 8] for n in range(0, len(digest), 8))


def is_long(text: str) -> bool:
    """Whether a text has a word that must be broken to fit a column."""
    return any(len(word) > _LONG_WORD for word in text.split())


def css_text(text: str) -> str:
    """What of a text can stand inside quotation marks of a style sheet."""
    return "".join(c for c in text if c.isalnum() or c in " .-_/")[:60]


def base64_text(data: bytes) -> str:
    """Bytes as a data: URI holds them (RFC 2397)."""
    return base64.b64encode(data).decode("ascii")


def phase_rows(readings: MeterReadings) -> list[tuple[str, list[float | None]]]:
    """U, I, P, Q, S and PF of the phases and the total."""
    found = []
    for letter, words in (
        ("V", "U in V"), ("I", "I in A"), ("P", "P in W"), ("Q", "Q in var"), ("S", "S in VA"),
        ("PF", "power factor"),
    ):  # fmt: skip
        values = [readings.quantities.get(f"{letter}_{p}") for p in PHASES]
        values.append(readings.quantities.get(letter))
        if any(v is not None for v in values):
            found.append((words, values))
    return found


def step_cells(step: LoadStepEntry) -> list[tuple[float, float | None]]:
    """Active and reactive step per phase."""
    return [
        (dp, step.dq_var[n] if n < len(step.dq_var) else None) for n, dp in enumerate(step.dp_w)
    ]


def by_subject(checks: tuple[CheckEntry, ...]) -> dict[str, list[CheckEntry]]:
    """The checks in groups, in their order."""
    groups: dict[str, list[CheckEntry]] = {}
    for check in checks:
        groups.setdefault(check.subject, []).append(check)
    return groups


FILTERS: dict[str, Callable[..., Any]] = {
    "sign": sign,
    "moment": moment,
    "number": number,
    "signed": signed,
    "probability": probability,
    "span": span,
    "short": short,
    "is_long": is_long,
    "css_text": css_text,
    "base64": base64_text,
    "phase_rows": phase_rows,
    "step_cells": step_cells,
    "by_subject": by_subject,
}
