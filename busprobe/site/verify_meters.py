"""Readings, wiring and power flow of the meters against the plan. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from busprobe.diagnosis.balance import BalanceDiagnosis, BalanceVerdict
from busprobe.diagnosis.catalogue import wiring as wiring_catalogue
from busprobe.diagnosis.coupling import Answer, Holds
from busprobe.diagnosis.wiring import WiringDiagnosis, WiringVerdict
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.finding import Evidence, Finding, Severity, certainty
from busprobe.model.reading import PHASES, SignConvention, Snapshot
from busprobe.site.items import Item
from busprobe.site.plan_parts import DevicePart, MeterPart
from busprobe.site.plan_rules import CT_HIGHEST
from busprobe.site.verify import check, not_tested, outcome_of

WIRED = "as labelled"
_SHOWN = ("V", "I", "P")


def _told_by(findings: Sequence[Finding]) -> tuple[Evidence, ...]:
    """The first evidence of each finding, and its sentence."""
    return tuple(
        Evidence(f.evidence[0].exchange if f.evidence else None, f.summary) for f in findings
    )


def readings_check(
    item: Item,
    part: DevicePart,
    quantities: Mapping[str, float],
    findings: Sequence[Finding],
    failures: Sequence[str],
) -> Check:
    """What a device reads against itself and against its CTs.

    Args:
        item: The check.
        part: The device by plan.
        quantities: Its uniform quantities.
        findings: What the plausibility checks told.
        failures: Why registers are missing.
    """
    if not quantities:
        why = "; ".join(failures) or "no register map of it is known"
        return not_tested(item, why)
    faults = [f for f in findings if f.severity is Severity.FAULT]
    beyond = _beyond(part, quantities) if isinstance(part, MeterPart) else ()
    return check(
        item,
        outcome_of(not (faults or failures or beyond)),
        found=_shown(quantities),
        uncertainty="one poll, more where it left a doubt",
        evidence=[
            *_told_by(findings),
            *(Evidence(None, text) for text in (*failures, *beyond)),
        ]
        or [Evidence(None, f"{len(quantities)} quantities agree with each other")],
        findings=findings,
    )


def _beyond(part: MeterPart, quantities: Mapping[str, float]) -> tuple[str, ...]:
    """Currents above what the meter can measure: a wrong ratio, or an overload."""
    if part.ct is not None:
        most, words = CT_HIGHEST * part.ct.primary_a, f"120 % of its {part.ct.primary_a:g} A CTs"
    elif part.direct_a is not None:
        most, words = part.direct_a, "what the meter bears"
    else:
        return ()
    return tuple(
        f"{name} is {value:.1f} A, above {most:g} A, {words}"
        for phase in PHASES
        if (value := abs(quantities.get(name := f"I_{phase}", 0.0))) > most
    )


def _shown(quantities: Mapping[str, float]) -> str:
    units = {"V": "V", "I": "A", "P": "W"}
    parts = []
    for letter in _SHOWN:
        values = [quantities[n] for p in PHASES if (n := f"{letter}_{p}") in quantities]
        if values:
            digits = 0 if letter == "P" else 1
            listed = "/".join(f"{v:.{digits}f}" for v in values)
            parts.append(f"{letter} {listed} {units[letter]}")
    if "P" in quantities:
        parts.append(f"P total {quantities['P']:.0f} W")
    return ", ".join(parts)


def proved_sign(snapshots: Sequence[Snapshot], wiring: str) -> SignConvention:
    """What the meter's own counters, or else a wiring test, prove of its sign."""
    told = [s.sign for s in snapshots if s.sign is not SignConvention.UNKNOWN]
    if told:
        return told[-1]
    return SignConvention(wiring) if wiring else SignConvention.UNKNOWN


def sign_check(item: Item, part: MeterPart, sign: SignConvention, text: str) -> Check:
    """What positive power means against the plan.

    Args:
        item: The check.
        part: The meter by plan.
        sign: What is known of its sign.
        text: What that rests on.
    """
    planned = f"positive is {part.positive}"
    if sign is SignConvention.UNKNOWN:
        return not_tested(item, text, planned)
    found = "import" if sign is SignConvention.IMPORT_POSITIVE else "export"
    return check(
        item,
        outcome_of(found == part.positive),
        planned=planned,
        found=f"positive is {found}",
        evidence=[Evidence(None, text)],
    )


# Wiring ---------------------------------------------------------------------------------------


def wiring_check(item: Item, diagnosis: WiringDiagnosis, findings: Sequence[Finding]) -> Check:
    """The wiring verdict as a check; what stays open is not tested."""
    sure = f"{certainty(diagnosis.probability)} sure"
    told = [f for f in findings if f.code in wiring_catalogue.ENTRIES]
    faults = [f for f in told if f.severity is Severity.FAULT]
    names_only = {f.code for f in told} == {"phase-names-open"}
    right = diagnosis.verdict is WiringVerdict.CORRECT or names_only
    if diagnosis.verdict is WiringVerdict.FAULT or faults:
        outcome = CheckOutcome.FAIL
    else:
        outcome = CheckOutcome.PASS if right else CheckOutcome.NOT_TESTED
    steps = [e for f in told[:1] for e in f.evidence]
    return check(
        item,
        outcome,
        planned=WIRED,
        found="; ".join(f.summary for f in told) or diagnosis.verdict.value,
        uncertainty=sure,
        evidence=steps or [Evidence(None, diagnosis.next_experiment or diagnosis.verdict.value)],
        findings=told,
    )


# Coupling -------------------------------------------------------------------------------------

_OF = {
    Holds.YES: CheckOutcome.PASS,
    Holds.NO: CheckOutcome.FAIL,
    Holds.UNDECIDED: CheckOutcome.NOT_TESTED,
    Holds.NOT_APPLICABLE: CheckOutcome.NOT_APPLICABLE,
}


def coupling_check(item: Item, answer: Answer, planned: str = "") -> Check:
    """The answer of a coupling check; "undecided" is not tested, with the reason."""
    settled = answer.holds in (Holds.YES, Holds.NO)
    lead = () if settled and answer.evidence else (Evidence(None, answer.text),)
    return check(
        item,
        _OF[answer.holds],
        planned=planned,
        found=answer.text if settled else "",
        evidence=(*lead, *answer.evidence),
        findings=answer.findings,
    )


# Balance --------------------------------------------------------------------------------------

_BALANCE = {
    BalanceVerdict.CORRECT: CheckOutcome.PASS,
    BalanceVerdict.FAULT: CheckOutcome.FAIL,
    # Several explanations fit, and each is a fault.
    BalanceVerdict.AMBIGUOUS: CheckOutcome.FAIL,
    BalanceVerdict.UNDECIDED: CheckOutcome.NOT_TESTED,
}


def balance_check(item: Item, diagnosis: BalanceDiagnosis, findings: Sequence[Finding]) -> Check:
    """The energy balance of the whole site; what is undecided is not tested, and says why."""
    settled = diagnosis.verdict is not BalanceVerdict.UNDECIDED
    why = (*diagnosis.not_identifiable, diagnosis.next_experiment or "")
    house = (
        ""
        if diagnosis.residual_w is None
        else f"house without meters {diagnosis.residual_w:.0f} W"
        f" ± {diagnosis.residual_uncertainty_w or 0.0:.0f} W, "
    )
    return check(
        item,
        _BALANCE[diagnosis.verdict],
        found="; ".join(f.summary for f in findings) if settled else "",
        uncertainty=f"{house}{certainty(diagnosis.probability)} sure",
        evidence=[
            *(() if settled else (Evidence(None, text) for text in why if text)),
            *(e for f in findings for e in f.evidence[:3]),
        ]
        or [Evidence(None, f"{diagnosis.duration_s:.0f} s of readings")],
        findings=findings,
    )
