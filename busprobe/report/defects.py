"""Findings as defects, and what became of them."""

from __future__ import annotations

from collections.abc import Mapping

from busprobe.diagnosis.catalogue import addresses, wiring
from busprobe.diagnosis.wiring import WiringVerdict
from busprobe.model.check import CheckOutcome
from busprobe.model.finding import Finding, Severity
from busprobe.report import content as parts
from busprobe.report.material import Material
from busprobe.report.wiring_evidence import WiringTest, concluded

_ORDER = {Severity.FAULT: 0, Severity.WARNING: 1, Severity.NOTE: 2}


def defects_of(
    material: Material, tests: Mapping[str, Mapping[int, WiringTest]]
) -> tuple[parts.Defect, ...]:
    """Findings of every recording and the verification, each with what became of it."""
    before, after = _findings(material, "as-found"), _findings(material, "as-left")
    told = []
    for key, finding in {**before, **after}.items():
        gone = key not in after and _is_gone(finding, key[2], material, tests)
        told.append(_defect(finding, key[2], "not found again" if gone else "open"))
    ranks = {s.value: n for s, n in _ORDER.items()}
    return tuple(
        sorted(
            told,
            key=lambda d: (d.state != "open", ranks[d.severity], d.address or 0, d.code),
        )
    )


def _is_gone(
    finding: Finding,
    line: str,
    material: Material,
    tests: Mapping[str, Mapping[int, WiringTest]],
) -> bool:
    """Whether the site as left was tested for this very thing, and it was right.

    That a finding does not come up again proves nothing where nobody looked again.
    """
    for visit in material.of("as-left"):
        if material.line_of(visit) != line:
            continue
        test = tests[visit.file].get(finding.address or 0)
        if finding.code in wiring.ENTRIES and test is not None:
            end = concluded(test, visit.findings)
            return end in (WiringVerdict.CORRECT, WiringVerdict.FAULT)
        device = visit.devices.get(finding.address or 0)
        if finding.code in addresses.ENTRIES and device is not None:
            return device.duplicate == "single"
        if finding.code == "device-silent" and device is not None:
            # Only who answers is known.
            return True
    verified = material.verification
    if verified is None or verified.state.as_found is None or verified.state.as_left is None:
        return False
    failed = {
        (c.name, c.subject) for c in verified.state.as_found.checks
        if finding.code in c.finding_codes
    }  # fmt: skip
    again = [c for c in verified.state.as_left.checks if (c.name, c.subject) in failed]
    return bool(again) and all(c.outcome is CheckOutcome.PASS for c in again)


def _findings(material: Material, state: parts.State) -> dict[tuple[str, int | None, str], Finding]:
    """By code, address and line."""
    found: dict[tuple[str, int | None, str], Finding] = {}
    for visit in material.of(state):
        line = material.line_of(visit)
        found |= {(f.code, f.address, line): f for f in visit.findings}
    verified = material.verification
    checked = None if verified is None else verified.state.visit(state)
    recorded = {(code, address) for code, address, _ in found}
    for finding in () if checked is None else checked.findings:
        # A verification does not say on which line: what a recording tells is told once.
        if (finding.code, finding.address) not in recorded:
            found[finding.code, finding.address, ""] = finding
    return found


def _defect(finding: Finding, line: str, state: parts.DefectState) -> parts.Defect:
    return parts.Defect(
        code=finding.code,
        severity=finding.severity.value,
        address=finding.address,
        device=f"{finding.device or ''} on {line}".strip() if line else finding.device or "",
        summary=finding.summary,
        cause=finding.cause,
        probability=finding.probability,
        evidence=tuple(
            parts.EvidenceEntry(exchange=e.exchange, text=e.text) for e in finding.evidence
        ),
        remedy=finding.remedy,
        caution=finding.caution or "",
        state=state,
    )
