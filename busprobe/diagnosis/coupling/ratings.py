"""Generators against the hybrid inverter, the charging power and the export limit: arithmetic.

At full battery and with nobody drawing, everything that the generators give must go to the grid, or
(on an island) be cut back. A plan that has no way for it is wrong at its rating, whatever a visit
on a dull day shows.
"""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.coupling.types import Answer, Coupling, Generator, Holds, watts
from busprobe.model.finding import Evidence

NO_GENERATOR = Answer(Holds.NOT_APPLICABLE, "the plan names no generator on the AC side")
# The plan's own numbers: sure as arithmetic, as far as the plan is right.
_SURE = 1.0
_ENTERED = "charging power entered"
_RATED = "rating of the inverter"


def _names(generators: Sequence[Generator]) -> str:
    return " and ".join(g.name for g in generators)


def _ratings(coupling: Coupling) -> Evidence:
    listed = ", ".join(f"{g.name} {watts(g.rated_w)}" for g in coupling.generators)
    return Evidence(None, f"ratings by plan: {listed}")


def island(coupling: Coupling) -> Answer:
    """Whether the inverter bears the generators without the grid."""
    if not coupling.generators:
        return NO_GENERATOR
    if not coupling.runs_island:
        return Answer(
            Holds.NOT_APPLICABLE, "by plan the inverter does not run the site without the grid"
        )
    evidence = (_ratings(coupling),)
    findings = []
    stubborn = [g for g in coupling.generators if not g.curtailable]
    if stubborn:
        findings.append(
            finding(
                "generator-not-curtailable",
                probability=_SURE,
                evidence=evidence,
                names=_names(stubborn),
                power=watts(sum(g.rated_w for g in stubborn)),
            )
        )
    total, rating = coupling.generated_w, coupling.inverter_w
    if rating is not None and total > rating:
        findings.append(
            finding(
                "generator-exceeds-inverter",
                probability=_SURE,
                evidence=(*evidence, Evidence(None, f"inverter by plan: {watts(rating)}")),
                generators=watts(total),
                inverter=watts(rating),
                names=_names(coupling.generators),
            )
        )
    if findings:
        return Answer(Holds.NO, findings[0].summary, tuple(findings), evidence)
    if rating is None:
        return Answer(Holds.UNDECIDED, "the plan does not say what the inverter is rated")
    text = f"{watts(total)} of generators, inverter rated {watts(rating)}, all can be cut back"
    return Answer(Holds.YES, text, (), evidence)


def charging(coupling: Coupling) -> Answer:
    """Whether the charging power entered suits generators and inverter."""
    if not coupling.generators:
        return NO_GENERATOR
    charge, rating, total = coupling.charge_w, coupling.inverter_w, coupling.generated_w
    bounds = [(w, words) for w, words in ((charge, _ENTERED), (rating, _RATED)) if w is not None]
    if not bounds:
        text = (
            "the plan says neither which charging power is allowed nor what the inverter is rated"
        )
        return Answer(Holds.UNDECIDED, text)
    evidence = (
        _ratings(coupling),
        *(Evidence(None, f"{words} by plan: {watts(w)}") for w, words in bounds),
    )
    if rating is not None and charge is not None and charge > rating:
        told = finding(
            "charge-limit-above-inverter",
            probability=_SURE,
            evidence=evidence,
            charge=watts(charge),
            inverter=watts(rating),
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    most, bound = min(bounds)
    if total <= most:
        text = f"{watts(total)} of generators, {watts(most)} can be charged"
        return Answer(Holds.YES, text, (), evidence)
    limit = coupling.export_w
    told = finding(
        "charge-limit-below-generator",
        probability=_SURE,
        evidence=evidence,
        generators=watts(total),
        charge=watts(most),
        bound=bound,
        surplus=watts(total - most),
        export="" if limit is None else f", of which {watts(limit)} may be fed in",
    )
    # Not wrong in itself: whether the surplus may go to the grid is the question of `exporting`.
    return Answer(Holds.YES, told.summary, (told,), evidence)


def exporting(coupling: Coupling) -> Answer:
    """Whether the export limit can be kept with a full battery and nobody drawing."""
    if not coupling.generators:
        return NO_GENERATOR
    limit, total = coupling.export_w, coupling.generated_w
    if limit is None:
        text = (
            f"with a full battery and nobody drawing up to {watts(total)} go to the grid; the plan "
            "names no export limit"
        )
        return Answer(Holds.NOT_APPLICABLE, text)
    evidence = (_ratings(coupling), Evidence(None, f"export limit by plan: {watts(limit)}"))
    stubborn = [g for g in coupling.generators if not g.curtailable]
    power = sum(g.rated_w for g in stubborn)
    if power > limit:
        told = finding(
            "export-limit-unreachable",
            probability=_SURE,
            evidence=evidence,
            power=watts(power),
            limit=watts(limit),
            names=_names(stubborn),
            over=watts(power - limit),
        )
        return Answer(Holds.NO, told.summary, (told,), evidence)
    if total > limit:
        told = finding(
            "export-limit-by-control",
            probability=_SURE,
            evidence=evidence,
            limit=watts(limit),
            power=watts(total),
            over=watts(total - limit),
        )
        text = "the limit can be kept, but only by a control that was not tested here"
        return Answer(Holds.UNDECIDED, text, (told,), evidence)
    text = f"{watts(total)} of generators, {watts(limit)} may be fed in"
    return Answer(Holds.YES, text, (), evidence)
