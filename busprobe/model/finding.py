"""What was found, and why we say so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum


class Severity(StrEnum):
    """What a finding asks of the technician."""

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


def certainty(probability: float) -> str:
    """A probability in words, never rounded up to certainty."""
    if probability >= 0.9995:
        return "over 99.9 %"
    if probability >= 0.99:
        return f"{100 * probability:.1f} %"
    return f"{100 * probability:.0f} %" if probability >= 0.005 else "under 1 %"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One piece of evidence.

    Attributes:
        exchange: Number of the exchange it was seen in, or None where it spans several.
        text: What was seen, in words.
    """

    exchange: int | None
    text: str


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict in words, with cause, probability, evidence and next step.

    Attributes:
        code: Stable kebab-case name, see `busprobe.diagnosis.catalogue`.
        severity: fault, warning or note.
        address: The address it concerns, or None.
        device: Text that names the device (already made safe), or None.
        summary: One sentence for the list.
        cause: What is wrong and why that follows.
        probability: Probability that it is so, 0..1.
        evidence: What it rests on.
        remedy: The next step in the words of the trade.
        caution: A safety caution where the remedy can hurt someone, else None.
    """

    code: str
    severity: Severity
    address: int | None
    device: str | None
    summary: str
    cause: str
    probability: float
    evidence: tuple[Evidence, ...]
    remedy: str
    caution: str | None = None


def gathered(found: Sequence[Finding]) -> list[Finding]:
    """One finding for each code and address: two CTs turned round are told in one.

    Findings are known by code and address, so that a later look replaces an earlier one.
    """
    groups: dict[tuple[str, int | None], list[Finding]] = {}
    for one in found:
        groups.setdefault((one.code, one.address), []).append(one)
    return [_as_one(group) for group in groups.values()]


def _as_one(group: Sequence[Finding]) -> Finding:
    first = group[0]
    if len(group) == 1:
        return first

    def told(texts: Sequence[str], between: str) -> str:
        return between.join(dict.fromkeys(texts))

    return replace(
        first,
        summary=told([f.summary.rstrip(".") for f in group], "; "),
        cause=told([f.cause for f in group], " "),
        remedy=told([f.remedy for f in group], " "),
        probability=min(f.probability for f in group),
        evidence=tuple(dict.fromkeys(e for f in group for e in f.evidence)),
    )
