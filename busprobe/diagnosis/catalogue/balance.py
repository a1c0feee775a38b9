"""Findings of the energy balance."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_CT, CAUTION_MAINS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "balance-correct": Entry(
        Severity.NOTE,
        "The meters add up: {names}",
        "Every source arrives at the feed-in meter with the right sign and size, and the house "
        "stays above zero. What no meter explains is {residual}, the consumption of the house.",
        "Nothing to change.",
    ),
    "balance-meter-reversed": Entry(
        Severity.FAULT,
        "{name} counts the wrong way round",
        "{why} All its CTs are reversed, or supply and load side are exchanged at a direct meter, "
        "or its direction is set the other way.",
        "{name}: turn every CT round or swap the two wires of each at the meter; at a direct meter "
        "exchange supply and load side; or correct the direction in its settings. Then repeat this "
        "test.",
        CAUTION_CT,
    ),
    "balance-input-reversed": Entry(
        Severity.FAULT,
        "{name}: CT on {inputs} is reversed",
        "{why} Its other inputs count the right way.",
        "{name}: turn the CT on {inputs} round or swap its two wires at the meter.",
        CAUTION_CT,
    ),
    "balance-wrong-ratio": Entry(
        Severity.FAULT,
        "{name} shows {ratio} times the true power",
        "{why} Two meters tell only their quotient: {other}",
        "Compare the CT ratio that is set in {name} with the name plate of its CTs (primary and "
        "secondary current, turns through the window), and the scale of its power register. Do the "
        "same at the feed-in meter.",
        CAUTION_CT,
    ),
    "balance-input-ratio": Entry(
        Severity.FAULT,
        "{name}: input {inputs} shows {ratio} times the true power",
        "{why} Its other inputs are right: a CT that is open, not closed, of another ratio, or on "
        "another phase than its voltage lead.",
        "{name}: check that the CT on {inputs} is closed, is of the same type as the others, and "
        "sits on the conductor of its own voltage lead.",
        CAUTION_CT,
    ),
    "balance-wrong-phase": Entry(
        Severity.FAULT,
        "{name}: CT on {inputs} is not on the phase of its voltage lead",
        "Its power shows an angle of {angle}, which no generator has, and only half of it counts. "
        "60 or 120 degrees are the mark of a CT on another phase than its lead.",
        "{name}: move the CT on {inputs} to the conductor of its own voltage lead, or exchange the "
        "CT wires at the meter.",
        CAUTION_CT,
    ),
    "balance-shows-half": Entry(
        Severity.FAULT,
        "{name}: {inputs} shows half the power, or half of it the wrong way",
        "{why} A CT on another phase than its voltage lead shows half on a generator; so does a CT "
        "of another ratio. Reactive power, or voltage and current, would tell: this series has "
        "neither.",
        "{name}: check first that each CT on {inputs} sits on the conductor of its own voltage "
        "lead, then its direction, then its ratio.",
        CAUTION_CT,
    ),
    "balance-dead-input": Entry(
        Severity.FAULT,
        "{name}: input {inputs} shows nothing of its generator",
        "The phases that show power and the feed-in meter say that this phase is fed as well: its "
        "CT is open, not connected, or not closed around the conductor, or its voltage lead is "
        "open.",
        "{name}: check the CT on {inputs}, its two wires, and the voltage lead of that input.",
        CAUTION_CT,
    ),
    "balance-outside": Entry(
        Severity.FAULT,
        "What {name} measures does not arrive at the feed-in meter",
        "{why} It is connected on the grid's side of the feed-in meter, or {name} measures "
        "something else than the plan says.",
        "Follow the cable of {name} to where it is connected: it belongs behind the CTs of the "
        "feed-in meter, seen from the grid. If it is right there, check on which cable the CTs of "
        "{name} sit.",
        CAUTION_CT,
    ),
    "balance-counted-twice": Entry(
        Severity.FAULT,
        "{name} is counted twice: it sits behind {outer}",
        "{why} Whoever adds both counts its power twice.",
        "Leave {name} out of the sum, or move the CTs of {outer} so that each measures a branch of "
        "its own.",
        CAUTION_CT,
    ),
    "balance-wrong-role": Entry(
        Severity.FAULT,
        "{name} does not measure what it was said to measure",
        "{why}",
        "Compare with the plan which cable {name} sits on, and exchange the roles in the settings "
        "of the inverter, or move the CTs.",
        CAUTION_CT,
    ),
    "balance-counters-differ": Entry(
        Severity.WARNING,
        "{name}: the energy counters do not follow the power",
        "Over {duration} the power adds up to {integrated}, the counters moved by {counted} "
        "({ratio} times as much).",
        "Check the scale of counters and power in the register map, and whether the counters "
        "belong to this meter (a meter behind a ratio counts secondary energy).",
    ),
    "balance-unmetered-source": Entry(
        Severity.WARNING,
        "The house comes out negative: a source that nobody measures, or a meter that counts wrong",
        "Import and generation together fell to {lowest}, and no fault of one meter explains it "
        "better.",
        "Look for a source without a meter (panels on another circuit, a battery, a CHP set) and "
        "switch it off for the test.",
        CAUTION_MAINS,
    ),
    "balance-ambiguous": Entry(
        Severity.WARNING,
        "The meters do not add up, and more than one fault explains it",
        "{choices}",
        "{experiment}",
        CAUTION_CT,
    ),
    "balance-undecided": Entry(
        Severity.NOTE,
        "The energy balance is not decided yet",
        "{why}",
        "{experiment}",
    ),
}
