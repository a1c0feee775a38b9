"""The diagnosis in the words of the trade."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.diagnosis.wiring.physics import NEUTRAL, NONE, OPEN, Network
from busprobe.diagnosis.wiring.types import CtWiring, Explanation, VoltageWiring

RIGHT = "The wiring is right: nothing to change."


def listed(names: Sequence[str]) -> str:
    """Names as in a sentence: L1, L2 and L3."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def misplaced(cts: Sequence[CtWiring], right: Sequence[str]) -> dict[str, CtWiring]:
    """The live CTs that are not on their own conductor, by input."""
    return {
        ct.input: ct for ct, own in zip(cts, right, strict=True) if ct.conductor not in (own, NONE)
    }


def remedy(
    net: Network, cts: Sequence[CtWiring], voltages: Sequence[VoltageWiring], neutral: str
) -> str:
    """What to do so that this wiring becomes right."""
    parts: list[str] = []
    three_wire = net.reference != NEUTRAL
    if three_wire and neutral != net.reference:
        parts.append(f"The common voltage terminal is on {neutral}: it belongs on {net.reference}.")
    elif neutral not in (net.reference, OPEN):
        on_neutral = [v.input for v in voltages if v.conductor == NEUTRAL]
        parts.append(
            f"Neutral and phase are exchanged at the meter: put the lead of {neutral} on terminal "
            f"{listed(on_neutral) or neutral} and the neutral on N."
        )
    elif neutral == OPEN:
        parts.append("The neutral lead of the meter is open: connect it.")
    opened = [v.input for v in voltages if v.conductor == OPEN]
    if opened:
        parts.append(f"Voltage lead {listed(opened)} is open: check its fuse, clamp and wire.")
    moved_leads = [
        (v.input, v.conductor)
        for v, own in zip(voltages, net.nominal_leads, strict=True)
        if v.conductor not in (own, OPEN, NEUTRAL)
    ]
    together = _moved_together(net, cts, voltages)
    if together:
        parts.append(
            "Every CT belongs to its voltage lead, only the names are exchanged: input "
            + ", ".join(f"{a} measures {b}" for a, b in moved_leads)
            + ". Exchange the leads together with their CTs, or take it over in the plan."
        )
    elif moved_leads and (three_wire or neutral in (net.reference, OPEN)):
        parts.append(
            "Voltage leads: "
            + ", ".join(f"the one at input {a} is on {b}" for a, b in moved_leads)
            + "; put each on its own phase."
        )
    wrong = {} if together else misplaced(cts, net.nominal_clamps)
    pairs = [
        (a, b.conductor)
        for a, b in wrong.items()
        if b.conductor in wrong and wrong[b.conductor].conductor == a and a < b.conductor
    ]
    done = {name for pair in pairs for name in pair}
    for a, b in pairs:
        parts.append(f"The CTs of {a} and {b} are swapped: exchange them.")
    for name, ct in wrong.items():
        if name not in done:
            where = "the neutral" if ct.conductor == NEUTRAL else ct.conductor
            parts.append(f"The CT of input {name} is on {where}: move it to {_own(net, name)}.")
    for ct in cts:
        if ct.conductor == NONE:
            parts.append(
                f"The CT of input {ct.input} shows no current: check that it is closed, connected "
                f"and around {_own(net, ct.input)}."
            )
    for ct in cts:
        if ct.direction == "reversed" and ct.conductor != NONE:
            parts.append(
                f"CT on {ct.input} is reversed: turn it round or swap its two wires at the meter."
            )
    for ct in cts:
        if ct.ratio is not None and ct.ratio != 1.0:
            parts.append(
                f"CT {ct.input} reads {ct.ratio:g} times the true current: check the CT ratio set "
                "in the meter against the CT's name plate."
            )
    return " ".join(parts) or RIGHT


def _own(net: Network, name: str) -> str:
    return net.nominal_clamps[net.inputs.index(name)]


def _moved_together(
    net: Network, cts: Sequence[CtWiring], voltages: Sequence[VoltageWiring]
) -> bool:
    """Whether leads and CTs are exchanged alike, so that every power is a true one."""
    if any(v.conductor == NEUTRAL for v in voltages):
        return False
    moved = any(v.conductor != own for v, own in zip(voltages, net.nominal_leads, strict=True))
    return moved and all(ct.conductor == v.conductor for ct, v in zip(cts, voltages, strict=True))


def changes(net: Network, explanation: Explanation) -> int:
    """How many things would have to be changed."""
    count = int(explanation.neutral != net.reference)
    for v, own in zip(explanation.voltages, net.nominal_leads, strict=True):
        count += v.conductor != own
    for ct, own in zip(explanation.cts, net.nominal_clamps, strict=True):
        count += (ct.conductor != own) + (ct.direction == "reversed")
    return count + ratios_changed(explanation)


def ratios_changed(explanation: Explanation) -> int:
    """How many CT ratios are wrong."""
    return sum(ct.ratio not in (None, 1.0) for ct in explanation.cts)


def is_right(net: Network, explanation: Explanation) -> bool:
    """Whether an explanation needs no change at all."""
    return (
        explanation.neutral == net.reference
        and all(
            v.conductor == own
            for v, own in zip(explanation.voltages, net.nominal_leads, strict=True)
        )
        and all(
            ct.conductor == own and ct.direction == "forward" and ct.ratio in (None, 1.0)
            for ct, own in zip(explanation.cts, net.nominal_clamps, strict=True)
        )
    )
