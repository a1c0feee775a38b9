"""Findings about what a device's own registers say.

A value that cannot be is a wrong scale, a wrong register or a wrong byte order first, a wrong wire
second, and bad mains last: the remedies go in this order.
"""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_MAINS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "values-absurd": Entry(
        Severity.FAULT,
        "{count} values are of a size that no meter shows: {names}",
        "Floating-point numbers whose words or bytes are exchanged come out as such numbers.",
        "Change the byte order in the device profile (CDAB instead of ABCD, or BADC), or the type.",
    ),
    "voltage-implausible": Entry(
        Severity.FAULT,
        "Voltage {inputs} cannot be: {values}",
        "No supply of {nominal} V gives {values}; it is {explanation}.",
        "Check scale, register address and byte order of the voltage in the device profile first; "
        "then whether the lead is on the right terminal.",
        CAUTION_MAINS,
    ),
    "voltage-out-of-limits": Entry(
        Severity.WARNING,
        "Voltage {inputs} is outside the limits of the supply: {values}",
        "A public supply of {nominal} V stays between {low} V and {high} V (EN 50160, all 10 min "
        "means); a single reading outside is a hint, not a proof.",
        "Check the scale of the voltage first, then measure the voltage at the meter; if it is "
        "true, look for a loose neutral or tell the grid operator.",
        CAUTION_MAINS,
    ),
    "voltage-absent": Entry(
        Severity.FAULT,
        "Voltage input {inputs} has no voltage: {values}",
        "Another input of the same meter has voltage, and {why}: without voltage this input counts "
        "no energy.",
        "Check the fuse, the clamp and the wire of voltage input {inputs}.",
        CAUTION_MAINS,
    ),
    "line-voltage-mismatch": Entry(
        Severity.WARNING,
        "{line} reads {measured} V, the phases give {expected} V",
        "Line-to-neutral voltages a third of a turn apart give {expected} V between the lines; "
        "{measured} V is {explanation}.",
        "Check the registers of both voltages in the device profile; if they are right, two leads "
        "are on one conductor, or the neutral lead is open or on a phase.",
        CAUTION_MAINS,
    ),
    "frequency-implausible": Entry(
        Severity.FAULT,
        "Frequency cannot be: {value} Hz",
        "Public supplies run at 50 Hz or 60 Hz; {value} Hz is {explanation}.",
        "Check scale, register address and byte order of the frequency in the device profile.",
    ),
    "power-exceeds-apparent": Entry(
        Severity.FAULT,
        "Power of {phase} is larger than its {bound}: {value} against {limit}",
        "Active and reactive power together can never exceed the apparent power; one of the values "
        "has a wrong scale or comes from a wrong register ({explanation}).",
        "Check scale, register address and byte order of P, Q, S, V and I of {phase}.",
    ),
    "apparent-power-mismatch": Entry(
        Severity.FAULT,
        "S of {phase} is not V times I: {value} VA against {expected} VA",
        "Apparent power is voltage times current; {value} VA is {explanation}.",
        "Check scale, register address and byte order of S, V and I of {phase}; a current "
        "transformer ratio may count in one of them only.",
    ),
    "sum-mismatch": Entry(
        Severity.WARNING,
        "Total {quantity} is not the sum of its phases: {value} against {expected} {unit}",
        "The total of a meter is the sum of its phases; {value} {unit} is {explanation}.",
        "Read again while the load is steady; if it stays, check the registers of the total and of "
        "the phases.",
    ),
    "power-factor-mismatch": Entry(
        Severity.NOTE,
        "Power factor of {phase} is {value}, P and S give {expected}",
        "The register may hold cos φ of the fundamental, a mean, or have a wrong scale.",
        "Do not rely on this power factor; use P / S.",
    ),
    "reading-suspect": Entry(
        Severity.WARNING,
        "Value {names} cannot be taken as it stands",
        "{note}.",
        "Look at the raw registers; ask the maker for firmware that follows the published model.",
    ),
    "register-headroom": Entry(
        Severity.WARNING,
        "{names} is close to the end of its register: {raw}",
        "A signed 16-bit register ends at 32767 counts; beyond it the value wraps to the negative.",
        "Set a coarser scale factor if the device allows it, or use its 32-bit or float values.",
    ),
    "scale-factor-changes": Entry(
        Severity.NOTE,
        "Scale factor {names} changes while the device works",
        "The value and its scale factor must be read in one request; a reader that keeps the scale "
        "factor of an earlier poll is wrong by a factor of ten now and then.",
        "Nothing to change here: every poll takes both together. Tell the maker of any other "
        "reader on this bus.",
    ),
}
