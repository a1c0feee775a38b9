"""Findings about the site as a whole: generators, limits, and meters in their roles."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_CT, CAUTION_MAINS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "generator-exceeds-inverter": Entry(
        Severity.FAULT,
        "The generators give up to {generators}, the inverter takes {inverter}",
        "Without the grid, with a full battery and nobody drawing, all of {names} flows into the "
        "hybrid inverter until it has cut them back: it must be rated for that. Common practice, "
        "no source: no more AC-coupled power than the inverter's own rating.",
        "Limit {names} to {inverter} together, keep part of them off the island side, or fit a "
        "larger inverter. Ask the makers of both what they allow.",
        CAUTION_MAINS,
    ),
    "generator-not-curtailable": Entry(
        Severity.FAULT,
        "Nothing cuts {names} back when the battery is full and the grid is gone",
        "On an island every watt that is neither drawn nor charged has to be cut back, and the "
        "plan says of {names} ({power}) that it cannot be.",
        "Use a generator that follows the frequency, a dump load, or a contactor that keeps "
        "{names} off while the inverter runs the island. Correct the plan if it can be curtailed.",
        CAUTION_MAINS,
    ),
    "charge-limit-below-generator": Entry(
        Severity.NOTE,
        "Of {generators} from the generators no more than {charge} can be charged",
        "The {bound} is {charge}. What the generators give beyond it and beyond what is drawn, up "
        "to {surplus}, goes to the grid{export}; with a full battery all of it does.",
        "Raise the charging power if battery and inverter allow it, or leave it so if feeding in "
        "is wanted.",
    ),
    "charge-limit-above-inverter": Entry(
        Severity.WARNING,
        "A charging power of {charge} is entered, the inverter is rated {inverter}",
        "From the AC side no more than the inverter's rating reaches the battery: AC-coupled "
        "generators can never charge with {charge}.",
        "Enter {inverter} or less, unless panels on the inverter's own DC inputs make up the rest.",
    ),
    "export-limit-unreachable": Entry(
        Severity.FAULT,
        "{power} of generation cannot be cut back, only {limit} may be fed in",
        "With a full battery and nobody drawing, {names} has nowhere to go but to the grid, up to "
        "{over} above the limit, and nothing can cut it back.",
        "Give {names} a control that cuts it back (or reduce its rating setting), or have the "
        "limit raised by the grid operator.",
    ),
    "export-limit-by-control": Entry(
        Severity.NOTE,
        "The limit of {limit} is kept only as long as the control works",
        "The generators give up to {power}; with a full battery and nobody drawing the control "
        "must cut {over} of it.",
        "Test it: full battery (or charging blocked), little load, full generation, and watch the "
        "grid meter. Test also what happens when the bus to the grid meter is unplugged.",
    ),
    "export-limit-exceeded": Entry(
        Severity.FAULT,
        "{measured} were fed in, {limit} are allowed",
        "The grid meter showed on the average {measured} of export over {duration}.",
        "Check limit and grid meter in the settings of the inverter, and that the inverter reads "
        "this meter, with this sign.",
    ),
    "role-contradicts-sign": Entry(
        Severity.FAULT,
        "{name} is planned as {role}, but shows {direction}",
        "{why} All CTs the wrong way round, supply and load side exchanged at a direct meter, a "
        "meter set to the other direction, or a role that was mixed up look alike here.",
        "Compare with the plan which cable {name} sits on; then prove its wiring with a known load "
        "or by starting and stopping what is behind it. Turn the CTs, or exchange the role in the "
        "inverter's settings.",
        CAUTION_CT,
    ),
    "role-contradicts-day": Entry(
        Severity.WARNING,
        "{name} is planned for PV, but {what}",
        "{why} A meter of another circuit, or a role that was mixed up, looks like this; so does a "
        "clock that is wrong.",
        "Check the clock of this computer first, then which cable {name} sits on.",
        CAUTION_CT,
    ),
    "house-load-negative": Entry(
        Severity.FAULT,
        "The house would give {power} instead of drawing it",
        "Grid import and generation together are the consumption of the house, which cannot be "
        "negative; it was in {share} of the readings. {suspects}",
        "Check first: {first}. A generator that nobody measures has the same effect.",
        CAUTION_CT,
    ),
    "generator-not-in-balance": Entry(
        Severity.FAULT,
        "What {name} gives does not arrive at the grid meter",
        "When {name} changed by 1 W the grid meter changed by {slope} W, {error} W at most either "
        "way: it is connected on the grid's side of that meter, or one of the two meters measures "
        "something else. The inverter then takes its power for a change of the load.",
        "Follow the cable of {name} to where it is connected; it belongs behind the grid meter's "
        "CTs, seen from the grid.",
        CAUTION_CT,
    ),
    "generator-counts-opposite": Entry(
        Severity.FAULT,
        "{name} and the grid meter count in opposite directions",
        "When {name} changed by 1 W the grid meter changed by {slope} W ({error} W either way); "
        "two meters that count alike would both change by 1 W.",
        "Prove the wiring of both with a known load, and turn the CTs of the one that is wrong, or "
        "tell the inverter the sign of each.",
        CAUTION_CT,
    ),
}
