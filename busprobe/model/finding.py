"""What was found, and why we say so."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Severity(StrEnum):
    """What a finding asks of the technician."""

    FAULT = "fault"
    WARNING = "warning"
    NOTE = "note"


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
