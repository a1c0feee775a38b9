"""How a code becomes a finding: every sentence that a technician reads stands in one catalogue."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.model.finding import Evidence, Finding, Severity


@dataclass(frozen=True, slots=True)
class Entry:
    """The words of one finding.

    `summary`, `cause` and `remedy` are `str.format` templates over the facts given to `finding`.
    """

    severity: Severity
    summary: str
    cause: str
    remedy: str
    caution: str | None = None


# Said wherever the remedy means work inside the meter cabinet. Common practice, no source; local
# codes and licensed electricians always come first.
CAUTION_CT = (
    "Isolate the circuit before touching a CT or its wires. Never open a CT secondary under "
    "load: it "
    "can reach lethal voltage; short it first where the CT is made for that. Work inside the "
    "cabinet "
    "is for licensed electricians, by the local code."
)
CAUTION_MAINS = (
    "Meter terminals carry mains voltage. Isolate and prove dead before touching them. Work inside "
    "the cabinet is for licensed electricians, by the local code."
)
CAUTION_BUS = (
    "Bus terminals often sit beside mains terminals. Isolate and prove dead before opening the "
    "cabinet; work there is for licensed electricians, by the local code."
)
CAUTION_LOAD = (
    "Use a load with an intact plug and lead, on a circuit rated for it, and do not leave it "
    "unattended: it gets hot."
)


def make_finding(
    code: str,
    entry: Entry,
    *,
    probability: float,
    evidence: Sequence[Evidence],
    address: int | None = None,
    device: str | None = None,
    **facts: object,
) -> Finding:
    """Fill an entry with facts.

    Facts are inserted once and never interpreted again, so that text from a device stays data.
    """
    values = {"address": address, "device": device, **facts}
    return Finding(
        code=code,
        severity=entry.severity,
        address=address,
        device=device,
        summary=entry.summary.format(**values),
        cause=entry.cause.format(**values),
        probability=probability,
        evidence=tuple(evidence),
        remedy=entry.remedy.format(**values),
        caution=entry.caution,
    )
