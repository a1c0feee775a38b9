"""Findings about wiring.

The remedies stand in the words of the trade; where hands go into the cabinet a caution goes with
them.
"""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_CT, CAUTION_LOAD, CAUTION_MAINS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "ct-reversed": Entry(
        Severity.FAULT,
        "CT on {input} is reversed",
        "A load switched on lowers the power of {input} instead of raising it, or turns it by half "
        "a circle: the CT sits the wrong way round.",
        "CT on {input} is reversed: turn it round or swap its two wires at the meter.",
        CAUTION_CT,
    ),
    "ct-wrong-phase": Entry(
        Severity.FAULT,
        "CT of input {input} is on {conductor}",
        "Current input {input} answers when the load on {conductor} is switched, so its CT is "
        "around {conductor}.",
        "Move the CT of input {input} from {conductor} to {own}, or its two wires to the current "
        "input of {conductor}.",
        CAUTION_CT,
    ),
    "cts-swapped": Entry(
        Severity.FAULT,
        "CTs of {first} and {second} are swapped",
        "Current input {first} answers to the load on {second}, and {second} to the load on "
        "{first}.",
        "Exchange the CTs of {first} and {second}, or their wires at the meter.",
        CAUTION_CT,
    ),
    "ct-dead": Entry(
        Severity.FAULT,
        "CT of input {input} shows no current",
        "Current input {input} answers to no load. Its CT is open, not connected, not closed "
        "around the conductor, or on a conductor that does not carry the load.",
        "Check that the CT of input {input} is closed around {own} and that its two wires reach "
        "the meter; then repeat the test.",
        CAUTION_CT,
    ),
    "ct-ratio": Entry(
        Severity.FAULT,
        "CT ratio of {input} is wrong: it reads {ratio} times the true current",
        "The step of the known load is {ratio} times as large at {input} as it should be.",
        "Compare the CT ratio set in the meter with the name plate of the CT on {input} (primary "
        "and secondary current, turns through the window) and correct the setting.",
        CAUTION_CT,
    ),
    "voltage-leads-swapped": Entry(
        Severity.FAULT,
        "Voltage leads are on the wrong conductors: {places}",
        "The angle between voltage and current of the known load, and the voltage that sags under "
        "it, show which lead is on which conductor: {places}.",
        "Put each voltage lead on its own conductor.",
        CAUTION_MAINS,
    ),
    "phases-renamed": Entry(
        Severity.WARNING,
        "Phase names differ: {places}",
        "Every CT belongs to its voltage lead, so all powers are true; only the names are not "
        "those of the sockets that were tested.",
        "Exchange the voltage leads together with their CTs, or note the names in the plan.",
        CAUTION_MAINS,
    ),
    "voltage-lead-open": Entry(
        Severity.FAULT,
        "Voltage lead {input} is open",
        "Input {input} has next to no voltage, so it counts no energy whatever its CT carries.",
        "Check the fuse, the clamp and the wire of voltage lead {input}.",
        CAUTION_MAINS,
    ),
    "neutral-lead-wrong": Entry(
        Severity.FAULT,
        "The neutral terminal of the meter is not on the neutral: {conductor}",
        "The voltages of the inputs, or the way they move under the known load, fit a neutral "
        "terminal that is on {conductor}.",
        "Check the neutral lead of the meter first: it belongs on N, firmly.",
        CAUTION_MAINS,
    ),
    "wiring-ambiguous": Entry(
        Severity.WARNING,
        "{count} wirings fit what was measured",
        "What was switched and measured does not tell these wirings apart: {choices}.",
        "{experiment}",
        CAUTION_LOAD,
    ),
    "wiring-wrong": Entry(
        Severity.FAULT,
        "The wiring is wrong; {count} explanations fit",
        "Every wiring that fits what was measured is wrong somewhere: {choices}.",
        "{experiment}",
        CAUTION_LOAD,
    ),
    "phase-names-open": Entry(
        Severity.NOTE,
        "Every CT belongs to its voltage lead; which phase is which is open",
        "All powers are true, but nothing that was measured tells the names of the phases.",
        "Nothing to change for the total. For the names: {experiment}",
        CAUTION_LOAD,
    ),
    "wiring-inconsistent": Entry(
        Severity.WARNING,
        "The test cannot have gone as announced",
        "No wiring makes the inputs answer like this to loads on the phases that were announced: "
        "the load sat on another phase, or behind another meter.",
        "{experiment}",
        CAUTION_LOAD,
    ),
    "wiring-undecided": Entry(
        Severity.NOTE,
        "The wiring is not decided yet",
        "The evidence is too thin for a verdict.",
        "{experiment}",
        CAUTION_LOAD,
    ),
    "wiring-correct": Entry(
        Severity.NOTE,
        "Every CT and voltage lead is right",
        "Each input answers to the load on its own phase, with the right sign, angle and size.",
        "Nothing to change.",
    ),
}
