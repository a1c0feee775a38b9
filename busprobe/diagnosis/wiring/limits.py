"""What the evidence cannot tell, and which experiment would."""

from __future__ import annotations

from busprobe.diagnosis.wiring.examine import Examined
from busprobe.diagnosis.wiring.physics import NEUTRAL, NONE, OPEN
from busprobe.diagnosis.wiring.types import Explanation, MeterSystem
from busprobe.diagnosis.wiring.words import listed


def not_identifiable(
    examined: Examined,
    loads: tuple[str, ...],
    explanations: list[Explanation],
    sign: str,
    *,
    backward: bool,
) -> tuple[str, ...]:
    """What this evidence cannot tell, in words; `backward` where the angles turn the other way."""
    notes = [_names(examined, loads)]
    best = explanations[0]
    if sign == "import-positive" and not any(e.cts != best.cts for e in explanations):
        notes.append(
            "Sign: a positive power was taken as import. If the register map counts export as "
            "positive, every CT is the other way round."
        )
    if sign == "unknown":
        notes.append(
            "Sign: all CTs reversed and a register map that counts export as positive read the "
            "same."
        )
    missing = _untested(examined, loads)
    if missing:
        notes.append(f"Everything on {listed(missing)}: no load was switched there.")
    if "L1L2L3" in loads:
        notes.append("Which CT of a consistent set is on which phase: the load was symmetrical.")
    notes += [
        f"Direction and place of the CT at {ct.input}: it shows no current."
        for ct in best.cts
        if ct.conductor == NONE
    ]
    notes += [
        f"Direction of the CT at {v.input}: its voltage lead is open."
        for v in best.voltages
        if v.conductor == OPEN
    ]
    if backward:
        notes.append(
            "Whether the phases are named against the rotation (L1, L3, L2), or the register map "
            "counts inductive reactive power negative: one of the two is so."
        )
    if not loads:
        notes.append("CT ratios: no known load.")
    if best.neutral == NEUTRAL and not (examined.sag_seen and loads):
        notes.append("An open neutral lead of the meter: on balanced voltages it looks right.")
    if not all(one.has_q for one in examined.samples.inputs):
        notes.append(
            "Turns of +120 and -120 degrees, where no voltage tells them: no signed reactive power."
        )
    if any(ct.ratio not in (None, 1.0) for ct in best.cts) and len(explanations) > 1:
        notes.append("Whether all CT ratios or the stated power of the load are wrong.")
    if examined.net.system is MeterSystem.SINGLE_PHASE:
        notes.append(
            "CT reversed, L and N exchanged, CT on the neutral: one meter reads all three the "
            "same. Measure which terminal is live."
        )
    return tuple(notes)


def _names(examined: Examined, loads: tuple[str, ...]) -> str:
    if not loads:
        return "Phase names: leads and CTs exchanged alike read the same."
    if examined.names_from_order:
        return (
            "Phase names: nothing was announced, so it is assumed that the load was on "
            f"{listed(loads)} in this order."
        )
    if not examined.schedule.named:
        return "Phase names: it was not announced on which phase the load was."
    return "Phase names: they are as good as the labels of the sockets that were used."


def _untested(examined: Examined, loads: tuple[str, ...]) -> list[str]:
    """Phases on which no load was switched."""
    if not loads or "L1L2L3" in loads:
        return []
    return [p for p in examined.net.phases if p not in loads]


def next_experiment(
    examined: Examined, loads: tuple[str, ...], explanations: list[Explanation], sign: str
) -> str:
    """What would separate the explanations."""
    missing = _untested(examined, loads)
    if "L1L2L3" in loads or not loads:
        return "Switch a known load on each phase alone, one after the other."
    if examined.net.system is MeterSystem.SINGLE_PHASE:
        return "Measure which voltage terminal is live, and look which conductor the CT is around."
    if len({tuple(ct.ratio for ct in e.cts) for e in explanations}) > 1:
        return "Measure the current of the load with a clamp meter and compare it with the meter."
    if missing and len(loads) < len(examined.net.phases):
        return f"Switch the load on {listed(missing)} as well, and announce it."
    if sign == "unknown" and len({e.voltages for e in explanations}) == 1:
        return (
            "Find out what a positive power means at this meter: its manual, or which energy "
            "counter moves while the site imports."
        )
    if not examined.schedule.named:
        return "Announce on which phase the load is switched."
    return (
        "Test the sense of rotation with a phase tester, or read the voltages with 0.1 V steps "
        "while a bigger load is switched."
    )
