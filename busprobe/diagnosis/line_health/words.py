"""Causes to findings."""

from __future__ import annotations

import math

from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.line_health.causes import Weighed
from busprobe.model.finding import Evidence, Finding, certainty

# Told by the duplicate test in its own words.
_ELSEWHERE = {"duplicate-address"}
# A surplus terminator is told beside missing bias, with the probability that it is that.
_TOGETHER = {"surplus-termination": "no-bias"}
# Causes that explain the same bytes at the same address, or of the whole line.
_RIVALS = {
    "noisy-line": "disturbed",
    "no-bias": "disturbed",
    "surplus-termination": "disturbed",
    "requests-dropped": "unanswered",
    "minimum-gap": "unanswered",
    "deaf-after-others": "unanswered",
    "device-silent": "unanswered",
    "damage-at-address": "damaged",
    "duplicate-address": "damaged",
}
# Not wrong by themselves.
_HARMLESS = {"echo-heard", "slow-device", "gateway-between", "answers-in-pieces"}
_TELL_FROM = 0.8
_WORTH_NAMING = 0.1
_FACTS: dict[str, dict[str, object]] = {"no-bias": {"seen": ""}}


def line_findings(weighed: Weighed) -> list[Finding]:
    """Findings for every cause that is sure enough, and one for what stays undecided."""
    told: list[Finding] = []
    explained = False
    for cause in weighed.causes:
        partner = _TOGETHER.get(cause.code)
        if partner is not None:
            if weighed.probability(partner) < _TELL_FROM:
                continue
        elif cause.probability < _TELL_FROM:
            continue
        explained = True
        if cause.code in _ELSEWHERE:
            continue
        told.append(
            finding(
                cause.code,
                probability=cause.probability,
                evidence=cause.evidence,
                address=cause.address,
                device=None,
                **{**_FACTS.get(cause.code, {}), **cause.facts},
            )
        )
    if weighed.bad and not explained:
        told.append(_undecided(weighed))
    return told


def _undecided(weighed: Weighed) -> Finding:
    likely = [c for c in weighed.causes if c.probability >= _WORTH_NAMING][:4]
    named = (
        ", ".join(
            f"{c.code}{f' at address {c.address}' if c.address is not None else ''} "
            f"({certainty(c.probability)})"
            for c in likely
        )
        or "nothing that was weighed"
    )
    evidence = [e for c in likely for e in c.evidence] or [
        Evidence(None, f"{weighed.bad} of {weighed.total} exchanges were not clean")
    ]
    return finding(
        "line-undecided",
        probability=1 - max((c.probability for c in weighed.causes), default=0.0),
        evidence=evidence,
        what="the line",
        bad=weighed.bad,
        total=weighed.total,
        likely=named,
    )


def healthy(weighed: Weighed) -> float:
    """Probability that nothing is wrong: no cause weighed is present.

    Rivals for the same evidence are added (they exclude each other, or nearly so); what is left of
    one is multiplied with what is left of the others.
    """
    present: dict[object, float] = {}
    for number, cause in enumerate(weighed.causes):
        if cause.code not in _HARMLESS:
            rival = _RIVALS.get(cause.code)
            place = number if rival is None else (rival, cause.address)
            present[place] = present.get(place, 0.0) + cause.probability
    return math.prod(max(0.0, 1 - p) for p in present.values())
