"""From probabilities to a verdict that says no more than the evidence carries."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from busprobe.diagnosis.wiring.known_load import Finding, View
from busprobe.diagnosis.wiring.physics import NEUTRAL, NONE, OPEN, Clamp, Leads
from busprobe.diagnosis.wiring.posterior import RATIOS, log_sum_exp, ratio_steps
from busprobe.diagnosis.wiring.steps import load_steps
from busprobe.diagnosis.wiring.types import (
    CtWiring,
    Explanation,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.diagnosis.wiring.words import is_right, remedy
from busprobe.model.reading import SignConvention

# A verdict is given from here on; its probability says how sure it is.
DECIDED = 0.99
# The explanations that fit alike must together have this much for "ambiguous".
CLASS_DECIDED = 0.95
# An explanation this much less probable than the best is not listed.
WORTH_LISTING = 0.04
MOST_LISTED = 48
# How often a map counts export as positive: both polarities exist, most count import (common
# practice, no source).
EXPORT_PRIOR = 0.05
REVERSED_PRIOR = 0.1


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One wiring with its probability, under one set of names of the tests."""

    view: View
    probability: float
    leads: Leads
    clamps: tuple[Clamp, ...]
    ratios: tuple[float | None, ...]
    all_one: float


def _ratios(
    finding: Finding, view: View, leads: Leads, combination: tuple[Clamp, ...]
) -> tuple[tuple[float | None, ...], float]:
    """Most probable ratio of each CT under one wiring, and the probability that all are 1."""
    prior = np.log([p for _, p in ratio_steps()])
    tables = [view.tables.by_ratio(leads, k, clamp) + prior for k, clamp in enumerate(combination)]
    summed = [log_sum_exp(t, axis=1) for t in tables]
    base = view.tables.load_prior
    total = base + np.sum(summed, axis=0)
    ones = base + np.sum([t[:, 0] for t in tables], axis=0)
    all_one = math.exp(float(log_sum_exp(ones)) - float(log_sum_exp(total)))
    ratios: list[float | None] = []
    for k, clamp in enumerate(combination):
        answered = leads.positive[k] != OPEN and any(
            abs(finding.net.factor(leads, k, clamp, load)) > 1e-9 for load in view.loads
        )
        if not answered:
            ratios.append(None)
            continue
        by_ratio = log_sum_exp((total - summed[k])[:, None] + tables[k], axis=0)
        ratios.append(RATIOS[int(by_ratio.argmax())])
    return tuple(ratios), all_one


def _explanation(finding: Finding, candidate: _Candidate, flip: int = 1) -> Explanation:
    """One candidate in the words of the contract; `flip` -1 turns every CT."""
    net, leads = finding.net, candidate.leads
    names = {1: "forward", -1: "reversed", 0: "unknown"}
    cts = tuple(
        CtWiring(
            name,
            clamp.conductor,
            "unknown" if leads.positive[k] == OPEN else names[clamp.direction * flip],
            candidate.ratios[k],
        )
        for k, (name, clamp) in enumerate(zip(net.inputs, candidate.clamps, strict=True))
    )
    voltages = tuple(
        VoltageWiring(name, place) for name, place in zip(net.inputs, leads.positive, strict=True)
    )
    text = remedy(net, cts, voltages, leads.reference)
    return Explanation(candidate.probability, cts, voltages, leads.reference, text)


def _candidates(finding: Finding) -> tuple[list[_Candidate], bool, float]:
    """The listed wirings, whether they fit all alike, and the probability of them together."""
    weight = np.array([view.posterior.log_evidence for view in finding.views])
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    shares = [
        w * view.posterior.probabilities() for w, view in zip(weight, finding.views, strict=True)
    ]
    flat = np.concatenate([share.ravel() for share in shares])
    fit = np.concatenate([view.posterior.log_fit.ravel() for view in finding.views])
    best = int(flat.argmax())
    alike = np.abs(fit - fit[best]) < 1e-6
    members = np.flatnonzero(alike & (flat >= WORTH_LISTING * flat[best]))
    together = float(flat[members].sum())
    if members.size == 1 and flat[best] < DECIDED:
        members = np.flatnonzero(flat >= WORTH_LISTING * flat[best])
    order = members[np.argsort(flat[members], kind="stable")[::-1]][:MOST_LISTED]
    out: list[_Candidate] = []
    for number in order:
        which, inside = divmod(int(number), shares[0].size)
        view = finding.views[which]
        index = np.unravel_index(inside, shares[0].shape)
        leads = view.posterior.leads[int(index[0])]
        combination = tuple(view.posterior.clamps[int(i)] for i in index[1:])
        ratios, all_one = _ratios(finding, view, leads, combination)
        out.append(_Candidate(view, float(flat[number]), leads, combination, ratios, all_one))
    return out, bool(alike[members].all()), together


def _merged(explanations: list[Explanation]) -> list[Explanation]:
    """Explanations that read the same (their difference cannot be said) as one."""
    seen: dict[tuple[object, ...], Explanation] = {}
    for e in explanations:
        key = (e.cts, e.voltages, e.neutral)
        if key in seen:
            e = Explanation(
                seen[key].probability + e.probability, e.cts, e.voltages, e.neutral, e.remedy
            )
        seen[key] = e
    return sorted(seen.values(), key=lambda e: -e.probability)


def judge(finding: Finding, sign: SignConvention) -> WiringDiagnosis:
    """The verdict under a known load."""
    candidates, alike, together = _candidates(finding)
    explanations, said_sign = _with_sign(finding, candidates, sign)
    best = explanations[0]
    loads = candidates[0].view.loads
    notes = _not_identifiable(finding, loads, explanations, said_sign)
    slip = 1.0 / (1.0 + math.exp(-min(finding.log_slip, 700.0)))
    steps = load_steps(finding.samples, finding.schedule, loads)

    if slip > 0.9:
        return WiringDiagnosis(
            WiringVerdict.INCONSISTENT,
            slip,
            (),
            said_sign,
            notes,
            "Repeat the test and check on which phase the socket really is.",
            steps,
        )
    right = is_right(finding.net, best)
    probability = best.probability * (1.0 - slip)
    verdict = WiringVerdict.UNDECIDED
    experiment: str | None = None
    if len(explanations) > 1 and alike and together >= CLASS_DECIDED and probability < DECIDED:
        verdict, probability = WiringVerdict.AMBIGUOUS, together * (1.0 - slip)
        experiment = _experiment(finding, loads, explanations, said_sign)
    elif probability >= DECIDED:
        if right:
            probability *= candidates[0].all_one
        verdict = WiringVerdict.CORRECT if right else WiringVerdict.FAULT
        if right and probability < DECIDED:
            verdict = WiringVerdict.UNDECIDED
    if verdict is WiringVerdict.UNDECIDED:
        experiment = "Go on switching the load on and off, or take a bigger one."
    return WiringDiagnosis(
        verdict,
        min(max(probability, 0.0), 1.0),
        tuple(explanations),
        said_sign,
        notes,
        experiment,
        steps,
    )


def _with_sign(
    finding: Finding, candidates: list[_Candidate], sign: SignConvention
) -> tuple[list[Explanation], str]:
    """Explanations with the meter's sign put in; an unknown sign is taken as the likelier one.

    The tables take a positive power as import. At a meter that counts export positive every CT is
    the other way round than it seems. Which of the two it is cannot be seen in its own readings.
    """
    flip = -1 if sign is SignConvention.EXPORT_POSITIVE else 1
    plain = _merged([_explanation(finding, c, flip) for c in candidates])
    if sign is not SignConvention.UNKNOWN:
        return plain, str(sign)
    directions = [c.direction for c in candidates[0].clamps if c.direction]
    if candidates[0].leads.kind == "lead-open" or not directions:
        return plain, "unknown"
    if any(d > 0 for d in directions):
        return plain, "import-positive"
    # All of them count the load as export: a parameter, or all CTs the wrong way round.
    share = EXPORT_PRIOR / (EXPORT_PRIOR + REVERSED_PRIOR ** len(directions))
    other = _merged([_explanation(finding, c, -1) for c in candidates])
    both = [
        *(_scaled(e, 1.0 - share) for e in plain),
        *(_scaled(e, share) for e in other),
    ]
    return sorted(both, key=lambda e: -e.probability), "unknown"


def _scaled(e: Explanation, share: float) -> Explanation:
    return Explanation(e.probability * share, e.cts, e.voltages, e.neutral, e.remedy)


def _not_identifiable(
    finding: Finding, loads: tuple[str, ...], explanations: list[Explanation], sign: str
) -> tuple[str, ...]:
    """What this evidence cannot tell."""
    notes: list[str] = []
    tested = set(loads)
    best = explanations[0]
    if finding.names_from_order:
        notes.append(
            "Phase names: nothing was announced, so it is assumed that the load was on "
            f"{', '.join(loads)} in this order."
        )
    elif not finding.schedule.named:
        notes.append("Phase names: it was not announced on which phase the load was.")
    else:
        notes.append("Phase names are as good as the labels of the sockets that were used.")
    if sign == "import-positive" and len(explanations) == 1:
        notes.append(
            "If this meter's register map counts export as positive, the same readings mean that "
            "every CT is the other way round."
        )
    if sign == "unknown":
        notes.append(
            "All CTs reversed and a register map that counts export as positive read the same."
        )
    missing = [p for p in finding.net.phases if p not in tested]
    if missing and "L1L2L3" not in tested:
        notes.append(f"No load was switched on {', '.join(missing)}.")
    if "L1L2L3" in tested:
        notes.append("Which CT of a consistent set is on which phase: the load was symmetrical.")
    for ct in best.cts:
        if ct.conductor == NONE:
            notes.append(f"Direction and place of the CT at {ct.input}: it shows no current.")
    for v in best.voltages:
        if v.conductor == OPEN:
            notes.append(f"Direction of the CT at {v.input}: its voltage lead is open.")
    if best.neutral == NEUTRAL and not any(s.usable for s in finding.evidence.sags):
        notes.append("An open neutral lead of the meter looks the same on balanced voltages.")
    if not all(one.has_q for one in finding.samples.inputs):
        notes.append("Without reactive power, turns of +120 and -120 degrees read the same.")
    return tuple(notes)


def _experiment(
    finding: Finding, loads: tuple[str, ...], explanations: list[Explanation], sign: str
) -> str:
    """What would separate the explanations."""
    tested = set(loads)
    missing = [p for p in finding.net.phases if p not in tested]
    if "L1L2L3" in tested:
        return "Switch a load on each phase alone, one after the other."
    if missing:
        return f"Switch the load on {', then on '.join(missing)} as well."
    if sign == "unknown" and len({e.voltages for e in explanations}) == 1:
        return (
            "Find out what a positive power means at this meter: its manual, or which energy "
            "counter moves while the site imports."
        )
    if not finding.schedule.named:
        return "Announce on which phase the load is switched."
    return "Read the voltages with 0.1 V steps and switch a bigger load, or use a phase tester."
