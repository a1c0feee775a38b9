"""What a failed bench check asks of the technician."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.catalogue.bench import ENTRIES
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.finding import Evidence, Finding

BENCH_CODES = tuple(ENTRIES)
# What is read out of registers, or refused, is sure; what a few hundred requests say is not quite.
_SURE = 0.99


def bench_findings(address: int, device: str | None, checks: Sequence[Check]) -> list[Finding]:
    """One finding for each failed check that has a code of its own.

    Codes that other diagnoses raise themselves (irregular map, implausible readings) are left to
    them.
    """
    told = []
    for check in checks:
        if check.outcome is not CheckOutcome.FAIL:
            continue
        for code in check.finding_codes:
            if code not in ENTRIES:
                continue
            seen = [Evidence(None, f"{check.title}: {check.found}"), *check.evidence]
            told.append(
                finding(
                    code,
                    probability=_SURE,
                    evidence=seen,
                    address=address,
                    device=device,
                    found=check.found,
                    planned=check.planned,
                    where=check.subject,
                )
            )
    return told
