"""A check of plan against found, as verification and report speak of it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.finding import Evidence


class CheckOutcome(StrEnum):
    """What came of a check."""

    PASS = "PASS"  # noqa: S105 - a word of the trade, no secret
    FAIL = "FAIL"
    NOT_TESTED = "NOT TESTED"
    """It applies, but was not or could not be tested; the evidence says why."""
    NOT_APPLICABLE = "NOT APPLICABLE"


@dataclass(frozen=True, slots=True)
class Check:
    """One line of a verification.

    Attributes:
        name: Stable kebab-case name.
        subject: What it concerns: the site, a link, or a meter by its name in the plan.
        title: The check in words.
        planned: What the plan says, in words, or "".
        found: What was found, in words, or "".
        outcome: What came of it.
        uncertainty: How well the found value is known, in words, or "".
        evidence: What it rests on.
        finding_codes: Findings that belong to it.
    """

    name: str
    subject: str
    title: str
    planned: str
    found: str
    outcome: CheckOutcome
    uncertainty: str = ""
    evidence: tuple[Evidence, ...] = ()
    finding_codes: tuple[str, ...] = ()
