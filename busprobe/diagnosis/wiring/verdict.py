"""From probabilities to a verdict that says no more than the evidence carries."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from busprobe.diagnosis.wiring.bank import log_sum_exp, ratio_steps
from busprobe.diagnosis.wiring.examine import Examined, View
from busprobe.diagnosis.wiring.limits import next_experiment, not_identifiable
from busprobe.diagnosis.wiring.physics import OPEN, Clamp, Leads
from busprobe.diagnosis.wiring.responses import SIZE_STEP
from busprobe.diagnosis.wiring.samples import Real
from busprobe.diagnosis.wiring.steps import load_steps
from busprobe.diagnosis.wiring.types import (
    CtWiring,
    Explanation,
    MeterSystem,
    VoltageWiring,
    WiringDiagnosis,
    WiringVerdict,
)
from busprobe.diagnosis.wiring.words import changes, is_right, ratios_changed, remedy
from busprobe.model.reading import SignConvention

# A verdict is given from here on; its probability says how sure it is.
DECIDED = 0.99
# The explanations that fit alike must together have this much for "ambiguous".
CLASS_DECIDED = 0.95
# An explanation this much less probable than the best is not listed.
WORTH_LISTING = 0.04
MOST_LISTED = 48
# No model of a site is surer than this.
SUREST = 0.9999
# Chances that a label is wrong from which the test is called inconsistent.
INCONSISTENT = 0.9
# How often a map counts export as positive, and how often a CT is reversed: both polarities exist,
# most maps count import (common practice, no source).
EXPORT_PRIOR = 0.05
REVERSED_PRIOR = 0.1
# Ratios that are common on name plates and in settings.
COMMON_RATIOS = (0.1, 0.2, 0.25, 1 / 3, 0.4, 0.5, 0.6, 2 / 3, 0.75, 0.8, 1.0)
COMMON_ROUNDING = 0.06


@dataclass(frozen=True, slots=True)
class _Candidate:
    """One wiring with its probability, under one view of the test.

    `ratios_sure` is the probability that just those ratios are 1 that are said to be.
    """

    view: View
    probability: float
    leads: Leads
    clamps: tuple[Clamp, ...]
    ratios: tuple[float | None, ...]
    ratios_sure: float


def judge(examined: Examined, sign: SignConvention) -> WiringDiagnosis:
    """The verdict, its explanations, and what the evidence leaves open."""
    candidates, alike, together = _candidates(examined)
    explanations, said_sign = _with_sign(examined, candidates, sign)
    explanations = _by_effort(examined, _with_other_load(examined, explanations))
    loads = candidates[0].view.loads
    backward = candidates[0].view.net.rotation < 0
    notes = not_identifiable(examined, loads, explanations, said_sign, backward=backward)
    steps = load_steps(examined.samples, examined.schedule, loads)
    slip = 1.0 / (1.0 + math.exp(-min(examined.log_slip, 700.0)))
    if slip > INCONSISTENT:
        return WiringDiagnosis(
            WiringVerdict.INCONSISTENT,
            min(slip, SUREST),
            (),
            said_sign,
            notes,
            "Check on which phase each socket really is, and that it is behind this meter; then "
            "repeat the test.",
            steps,
        )
    best = explanations[0]
    trust = 1.0 - slip
    if loads and all(ct.conductor == "none" for ct in best.cts):
        return _load_elsewhere(examined, best.probability * trust, said_sign, notes)
    right = is_right(examined.net, best)
    probability = best.probability * trust
    verdict = WiringVerdict.UNDECIDED
    if examined.net.system is MeterSystem.SINGLE_PHASE and alike and said_sign != "unknown":
        # All that fit alike read alike, and the repair of the reading is the same: turn the CT.
        probability = sum(e.probability for e in explanations) * trust
        together = 0.0
    if (
        len(explanations) > 1
        and alike
        and together * trust >= CLASS_DECIDED
        and probability < DECIDED
    ):
        verdict, probability = WiringVerdict.AMBIGUOUS, together * trust
        if len(candidates) == 1 and not any(is_right(examined.net, e) for e in explanations):
            # Only the meter's sign is open, and something is wrong either way.
            verdict = WiringVerdict.FAULT
    elif probability >= DECIDED:
        if changes(examined.net, best) == ratios_changed(best):
            # Nothing but ratios decides between right and wrong.
            probability *= candidates[0].ratios_sure
        if probability >= DECIDED:
            verdict = WiringVerdict.CORRECT if right else WiringVerdict.FAULT
    experiment = None
    if verdict is WiringVerdict.AMBIGUOUS or (
        verdict is WiringVerdict.FAULT and len(explanations) > 1
    ):
        experiment = next_experiment(examined, loads, explanations, said_sign)
    elif verdict is WiringVerdict.UNDECIDED:
        experiment = (
            "Go on switching the load on and off, not in a regular rhythm, or take a bigger one."
            if loads
            else "Watch longer, or switch a known load on each phase, one after the other."
        )
    return WiringDiagnosis(
        verdict,
        min(max(probability, 0.0), SUREST),
        tuple(replace(e, probability=min(e.probability, SUREST)) for e in explanations),
        said_sign,
        notes,
        experiment,
        steps,
    )


def _load_elsewhere(
    examined: Examined, probability: float, said_sign: str, notes: tuple[str, ...]
) -> WiringDiagnosis:
    """No input saw the load at all: it need not be behind this meter.

    Inputs that carry current, only not this one, show that the load sits elsewhere. Where no input
    shows any current, dead CTs and a load elsewhere look the same.
    """
    steps = load_steps(examined.samples, examined.schedule, examined.views[0].loads)
    behind = "Plug the load into a socket behind this meter, and repeat the test."
    verdict = WiringVerdict.UNDECIDED
    if len(examined.quiet_inputs) == len(examined.net.inputs):
        behind = (
            f"{behind} If it is there already, no CT is connected: check that each is closed "
            f"around "
            "its conductor and that its two wires reach the meter."
        )
    elif probability >= DECIDED:
        verdict = WiringVerdict.INCONSISTENT
    return WiringDiagnosis(verdict, min(probability, SUREST), (), said_sign, notes, behind, steps)


def _candidates(examined: Examined) -> tuple[list[_Candidate], bool, float]:
    """The listed wirings, whether they fit all alike, and the probability of them together."""
    weight = np.array([view.posterior.log_evidence for view in examined.views])
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    # Views that differ in rotation or in the sign of Q speak of the same wirings.
    groups: dict[object, list[tuple[View, Real]]] = {}
    for w, view in zip(weight, examined.views, strict=True):
        key = (view.loads, view.posterior.leads)
        groups.setdefault(key, []).append((view, w * view.posterior.probabilities()))
    shares = [np.sum([share for _, share in group], axis=0) for group in groups.values()]
    fits = [np.max([v.posterior.log_fit for v, _ in group], axis=0) for group in groups.values()]
    flat = np.concatenate([share.ravel() for share in shares])
    fit = np.concatenate([f.ravel() for f in fits])
    starts = np.cumsum([0, *(share.size for share in shares)])
    best = int(flat.argmax())
    with np.errstate(invalid="ignore"):
        alike = np.abs(fit - fit[best]) < 1e-6
    # On one phase every explanation is listed: L and N exchanged is rare, but no trifle.
    worth = 1e-9 if examined.net.system is MeterSystem.SINGLE_PHASE else WORTH_LISTING
    members = np.flatnonzero(alike & (flat >= worth * flat[best]))
    together = float(flat[alike].sum())
    if members.size == 1 and flat[best] < DECIDED:
        members = np.flatnonzero(flat >= WORTH_LISTING * flat[best])
    order = members[np.argsort(flat[members], kind="stable")[::-1]][:MOST_LISTED]
    out: list[_Candidate] = []
    for number in order:
        which = int(np.searchsorted(starts, number, side="right")) - 1
        index = np.unravel_index(int(number - starts[which]), shares[which].shape)
        group = list(groups.values())[which]
        view, _ = max(group, key=lambda pair: float(pair[1][index]))
        leads = view.posterior.leads[int(index[0])]
        combination = tuple(view.posterior.clamps[int(i)] for i in index[1:])
        ratios, sure = _ratios(view, leads, combination)
        out.append(_Candidate(view, float(flat[number]), leads, combination, ratios, sure))
    return out, bool(alike[members].all()), together


def _ratios(
    view: View, leads: Leads, combination: tuple[Clamp, ...]
) -> tuple[tuple[float | None, ...], float]:
    """Most probable ratio of each CT under one wiring, and how sure it is which of them are 1."""
    if view.tables is None:
        return (None,) * len(combination), 1.0
    prior = np.log([p for _, p in ratio_steps()])
    tables = [view.tables.by_ratio(leads, k, clamp) + prior for k, clamp in enumerate(combination)]
    summed = [log_sum_exp(t, axis=1) for t in tables]
    total = view.tables.load_prior + np.sum(summed, axis=0)
    sizes = np.array([math.exp(steps * SIZE_STEP) for steps, _ in ratio_steps()])
    ratios: list[float | None] = []
    kept = view.tables.load_prior
    for k, clamp in enumerate(combination):
        answered = leads.positive[k] != OPEN and any(
            abs(view.net.factor(leads, k, clamp, load)) > 1e-9 for load in view.loads
        )
        if not answered:
            ratios.append(None)
            kept = kept + summed[k]
            continue
        by_ratio = log_sum_exp((total - summed[k])[:, None] + tables[k], axis=0)
        weight = np.exp(by_ratio - by_ratio.max())
        weight /= weight.sum()
        if weight[0] >= 0.5:
            ratios.append(1.0)
            kept = kept + tables[k][:, 0]
        else:
            other = weight[1:]
            mean = float((other * np.log(sizes[1:])).sum() / other.sum())
            ratios.append(_named_ratio(math.exp(mean)))
            kept = kept + log_sum_exp(tables[k][:, 1:], axis=1)
    sure = math.exp(float(log_sum_exp(kept)) - float(log_sum_exp(total)))
    return tuple(ratios), sure


def _named_ratio(ratio: float) -> float:
    """A ratio as people say it: a common one where it is near, else two digits."""
    common = [c for r in COMMON_RATIOS for c in (r, 1.0 / r) if c != 1.0]
    nearest = min(common, key=lambda c: abs(math.log(c / ratio)))
    if abs(math.log(nearest / ratio)) < COMMON_ROUNDING:
        return round(nearest, 3)
    return float(f"{ratio:.2g}")


def _explanation(examined: Examined, candidate: _Candidate, flip: int = 1) -> Explanation:
    """One candidate in the words of the contract; `flip` -1 turns every CT."""
    net, leads = examined.net, candidate.leads
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


def _merged(explanations: list[Explanation]) -> list[Explanation]:
    """Explanations that read the same (their difference cannot be said) as one."""
    seen: dict[tuple[object, ...], Explanation] = {}
    for e in explanations:
        key = (e.cts, e.voltages, e.neutral)
        if key in seen:
            e = replace(e, probability=seen[key].probability + e.probability)
        seen[key] = e
    return list(seen.values())


def _by_effort(examined: Examined, explanations: list[Explanation]) -> list[Explanation]:
    """Most probable first; among equals the one that asks for the fewest changes."""
    return sorted(explanations, key=lambda e: (-round(e.probability, 6), changes(examined.net, e)))


def _with_sign(
    examined: Examined, candidates: list[_Candidate], sign: SignConvention
) -> tuple[list[Explanation], str]:
    """Explanations with the meter's sign put in; an unknown sign is taken as the likelier one.

    The tables take a positive power as import. At a meter that counts export positive every CT is
    the other way round than it seems. Which of the two it is cannot be seen in its own readings.
    """
    flip = -1 if sign is SignConvention.EXPORT_POSITIVE else 1
    plain = _merged([_explanation(examined, c, flip) for c in candidates])
    if sign is not SignConvention.UNKNOWN:
        return plain, str(sign)
    seen = [_shown_directions(candidate) for candidate in candidates]
    reversed_cts = seen[0].count(-1)
    if not seen[0] or any(directions.count(-1) != reversed_cts for directions in seen):
        return plain, "unknown"
    # So many CTs reversed at a meter that counts import, or all the others at one that does not.
    share = _export_share(reversed_cts, len(seen[0]) - reversed_cts)
    if share < WORTH_LISTING:
        return plain, "import-positive"
    other = _merged([_explanation(examined, c, -1) for c in candidates])
    return [
        *(replace(e, probability=e.probability * (1.0 - share)) for e in plain),
        *(replace(e, probability=e.probability * share) for e in other),
    ], "unknown"


def _export_share(negative: int, positive: int) -> float:
    """Probability that a meter counts export positive, by the CTs that then would be reversed."""
    odds = math.log(EXPORT_PRIOR / (1.0 - EXPORT_PRIOR))
    odds += (negative - positive) * math.log((1.0 - REVERSED_PRIOR) / REVERSED_PRIOR)
    return 1.0 / (1.0 + math.exp(-odds))


def _shown_directions(candidate: _Candidate) -> list[int]:
    """Directions of the CTs that answer a known load, or (passively) of all live ones."""
    view = candidate.view
    return [
        clamp.direction
        for k, clamp in enumerate(candidate.clamps)
        if clamp.direction
        and candidate.leads.positive[k] != OPEN
        and (
            not view.loads
            or any(
                abs(view.net.factor(candidate.leads, k, clamp, load)) > 1e-9 for load in view.loads
            )
        )
    ]


def _with_other_load(examined: Examined, explanations: list[Explanation]) -> list[Explanation]:
    """Where all tested CTs read the load wrong alike, the load may be another than was said."""
    out = []
    for e in explanations:
        seen = {ct.ratio for ct in e.cts if ct.ratio is not None}
        if len(seen) != 1 or seen == {1.0}:
            out.append(e)
            continue
        (factor,) = seen
        cts = tuple(ct if ct.ratio is None else replace(ct, ratio=1.0) for ct in e.cts)
        rest = remedy(examined.net, cts, e.voltages, e.neutral)
        text = (
            f"The load takes {factor:g} times the power that was stated, or a battery makes up for "
            f"a part of it: check its name plate and its switch, hold the battery. {rest}"
        )
        half = e.probability / 2.0
        out += [replace(e, probability=half), replace(e, probability=half, cts=cts, remedy=text)]
    return out
