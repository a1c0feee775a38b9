"""The verdict as findings, through the catalogue."""

from __future__ import annotations

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.wiring.physics import NEUTRAL, NONE, OPEN
from busprobe.diagnosis.wiring.types import (
    CtWiring,
    Explanation,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.model.finding import Evidence, Finding

MOST_CHOICES = 4
NEXT_TEST = "Repeat the test with a bigger load, on each phase alone."


def wiring_findings(
    address: int | None, device: str | None, diagnosis: WiringDiagnosis
) -> tuple[Finding, ...]:
    """Findings for one meter, one per thing that has to be changed.

    Args:
        address: Its address, None for a recorded series.
        device: Text that names it, already made safe, or None.
        diagnosis: The verdict.
    """
    evidence = _evidence(diagnosis)
    probability = diagnosis.probability

    def make(code: str, **facts: object) -> Finding:
        return finding(
            code,
            probability=probability,
            evidence=evidence,
            address=address,
            device=device,
            **facts,
        )

    experiment = diagnosis.next_experiment or NEXT_TEST
    if diagnosis.verdict is WiringVerdict.CORRECT:
        return (make("wiring-correct"),)
    if diagnosis.verdict is WiringVerdict.UNDECIDED:
        return (make("wiring-undecided", experiment=experiment),)
    if diagnosis.verdict is WiringVerdict.INCONSISTENT:
        return (make("wiring-inconsistent", experiment=experiment),)
    several = len(diagnosis.explanations) > 1 and not _one_repair(diagnosis.explanations)
    if diagnosis.verdict is WiringVerdict.AMBIGUOUS or several:
        sure = _shared(diagnosis.explanations)
        certain = [make(code, **facts) for code, facts in sure]
        return (
            *certain,
            make(
                _open_question(diagnosis.explanations, bool(sure)),
                count=len(diagnosis.explanations),
                choices=_choices(diagnosis.explanations),
                experiment=experiment,
            ),
        )
    best = diagnosis.explanations[0]
    return tuple(make(code, **facts) for code, facts in _faults(best))


def _shared(explanations: tuple[Explanation, ...]) -> list[tuple[str, dict[str, object]]]:
    """The faults that every explanation has."""
    first, *others = (_faults(e) for e in explanations)
    return [fault for fault in first if all(fault in other for other in others)]


def _open_question(explanations: tuple[Explanation, ...], some_sure: bool) -> str:
    """Code of what stays open: only names, which fault, or whether there is any."""
    codes = [{code for code, _ in _faults(e)} for e in explanations]
    if all(c <= {"phases-renamed"} for c in codes):
        return "phase-names-open"
    if all(codes) and not some_sure:
        return "wiring-wrong"
    return "wiring-ambiguous"


def _choices(explanations: tuple[Explanation, ...]) -> str:
    """The first few explanations as one list."""
    choices = "; or: ".join(e.remedy.rstrip(".") for e in explanations[:MOST_CHOICES])
    return choices + ("; and more" if len(explanations) > MOST_CHOICES else "")


def _one_repair(explanations: tuple[Explanation, ...]) -> bool:
    """Whether it is a meter on one phase, where every explanation reads the same."""
    return all(len(e.cts) == 1 for e in explanations)


def _evidence(diagnosis: WiringDiagnosis) -> tuple[Evidence, ...]:
    """What was seen at the switchings, one line each."""
    lines = []
    for step in diagnosis.steps:
        parts = []
        for number, dp in enumerate(step.dp_w):
            text = f"L{number + 1} {dp:+.0f} W"
            if step.dq_var:
                text += f" {step.dq_var[number]:+.0f} var"
            parts.append(text)
        lines.append(
            Evidence(None, f"{step.t_s:.0f} s, load on {step.conductor}: {', '.join(parts)}")
        )
    return tuple(lines[:12]) or (Evidence(None, "readings over time, no switched load"),)


def _faults(best: Explanation) -> list[tuple[str, dict[str, object]]]:
    """Code and facts of every difference from a right wiring."""
    out: list[tuple[str, dict[str, object]]] = []
    wrong_leads = [v for v in best.voltages if v.conductor not in (v.input, OPEN)]
    together = bool(wrong_leads) and all(
        ct.conductor == v.conductor for ct, v in zip(best.cts, best.voltages, strict=True)
    )
    if _is_three_wire(best):
        if best.neutral != "L2":
            out.append(("voltage-leads-swapped", {"places": f"common on {best.neutral}"}))
    elif best.neutral != NEUTRAL:
        place = "nothing" if best.neutral == OPEN else best.neutral
        out.append(("neutral-lead-wrong", {"conductor": place}))
    out += [("voltage-lead-open", {"input": v.input}) for v in best.voltages if v.conductor == OPEN]
    if wrong_leads:
        code = "phases-renamed" if together else "voltage-leads-swapped"
        out.append((code, {"places": _places(wrong_leads)}))
    if not together:
        out += _misplaced(best.cts)
    for ct in best.cts:
        if ct.conductor == NONE:
            out.append(("ct-dead", {"input": ct.input, "own": ct.input}))
        elif ct.direction == "reversed":
            out.append(("ct-reversed", {"input": ct.input}))
        if ct.ratio is not None and ct.ratio != 1.0:
            out.append(("ct-ratio", {"input": ct.input, "ratio": f"{ct.ratio:g}"}))
    return out


def _is_three_wire(best: Explanation) -> bool:
    return [v.input for v in best.voltages] == ["L1", "L3"]


def _places(leads: list[VoltageWiring]) -> str:
    return ", ".join(f"{v.input} on {v.conductor}" for v in leads)


def _misplaced(cts: tuple[CtWiring, ...]) -> list[tuple[str, dict[str, object]]]:
    out: list[tuple[str, dict[str, object]]] = []
    wrong = {ct.input: ct for ct in cts if ct.conductor not in (ct.input, NONE)}
    done: set[str] = set()
    for name, ct in wrong.items():
        if name in done:
            continue
        other = wrong.get(ct.conductor)
        if other is not None and other.conductor == name:
            out.append(("cts-swapped", {"first": name, "second": other.input}))
            done |= {name, other.input}
        else:
            facts: dict[str, object] = {"input": name, "conductor": ct.conductor, "own": name}
            out.append(("ct-wrong-phase", facts))
    return out
