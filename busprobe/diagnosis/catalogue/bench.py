"""Findings of the bench test: what a meter does otherwise than the standards or its class say."""

from __future__ import annotations

from busprobe.diagnosis.catalogue.base import CAUTION_MAINS, Entry
from busprobe.model.finding import Severity

ENTRIES: dict[str, Entry] = {
    "bench-nameless": Entry(
        Severity.WARNING,
        "The meter does not say who it is in full",
        "{found}. Without a serial number in its registers two such meters on one address cannot "
        "be told apart.",
        "Write the serial number of the case on the label and into the plan; ask the maker for "
        "firmware that fills these points.",
    ),
    "bench-device-address": Entry(
        Severity.WARNING,
        "The map of the meter states another address than the one it answers at",
        "Point DA of the common model holds {found}, it answers at {planned}. Programs that trust "
        "DA address the wrong device; a change of address may be only half done.",
        "Switch the meter off and on and test again; if it stays, set its address once more with "
        "busprobe readdress, and tell the maker.",
    ),
    "bench-points-missing": Entry(
        Severity.FAULT,
        "Mandatory points of the register map are missing",
        "At {where}: {found}. The published model makes them mandatory, so energy managers read "
        "them without asking and get a mark for 'not implemented', or a refusal.",
        "Ask the maker for firmware that fills them; otherwise use this meter only with a reader "
        "that is told of it (a device profile of its own).",
    ),
    "bench-profile-differs": Entry(
        Severity.FAULT,
        "Registers of its device profile cannot be read",
        "At {where}: {found}. The profile was written for another model or another firmware, or "
        "the meter holds these registers back.",
        "Compare the type plate with the profile, and the profile with the manual of this meter; "
        "write a profile of its own where they differ (device_profiles/README.md).",
    ),
    "bench-scale-factor": Entry(
        Severity.FAULT,
        "A scale factor is illegal",
        "At {where}: {found}. Values are wrong by powers of ten for every reader that trusts it.",
        "Ask the maker for firmware that mends it; do not mend it in one reader only.",
    ),
    "bench-wrong-mark": Entry(
        Severity.WARNING,
        "Points hold the mark for 'not implemented' of another type",
        "At {where}: {found}. A reader takes it for a value, often the largest there can be.",
        "Have these points left out in the energy manager, and ask the maker for firmware that "
        "marks them as published.",
    ),
    "bench-answers-lost": Entry(
        Severity.WARNING,
        "The meter does not answer every request",
        "At {where}: {found}. On the table there is neither a long line nor another device: "
        "adapter, power supply or firmware lose requests.",
        "Try another adapter and a short twisted pair, then another meter of the same kind. If "
        "only this one loses requests, do not build it in.",
    ),
    "bench-settings-refused": Entry(
        Severity.WARNING,
        "The meter did not come to a line setting that its profile offers",
        "At {where}: {found}.",
        "Leave the meter at a setting at which it answered; check the codes in the device profile "
        "against its manual.",
    ),
    "bench-needs-rest": Entry(
        Severity.WARNING,
        "The meter needs a rest between requests",
        "Requests that follow the last answer sooner are lost: {found}, the standard asks for no "
        "more than {planned}.",
        "Set the pause between requests in the energy manager to at least this, for every request "
        "on the bus: the meter hears the others too.",
    ),
    "bench-short-reads": Entry(
        Severity.WARNING,
        "The meter refuses long reads",
        "It gives {found}, {planned} lie side by side. A reader that asks for a whole model at "
        "once gets an exception.",
        "Set the block size in the energy manager to what the meter gives, and see that values of "
        "two registers are not torn apart.",
    ),
    "bench-wrong-refusal": Entry(
        Severity.WARNING,
        "The meter does not refuse illegal requests as the standard says",
        "{found}. A program that searches for its map by trial takes silence for an absent device "
        "and a wrong answer for data.",
        "Nothing to do for a reader with a fixed map. Tell the maker.",
    ),
    "bench-counter-disagrees": Entry(
        Severity.FAULT,
        "The energy counter does not agree with the power of the same meter",
        "{found}, but {planned}. Scale, unit or register of one of the two is wrong, or the "
        "counter counts pulses of another ratio.",
        "Check unit and scale of the counter (Wh or kWh) and the CT ratio set in the meter; then "
        "test again with a steady load.",
    ),
    "bench-outside-class": Entry(
        Severity.FAULT,
        "The meter is off by more than its class allows",
        "{found}; the reference instrument shows {planned}. Half a register step is allowed for, "
        "the error of the reference is not.",
        "Read both again at the same moment with a steady load; check range and calibration of the "
        "reference, the CT ratio set in the meter, and that both see the same conductor. If it "
        "stays, do not build the meter in.",
        CAUTION_MAINS,
    ),
    "bench-settings-stranded": Entry(
        Severity.FAULT,
        "The meter was not brought back to its line settings",
        "It {found}.",
        "Switch the meter off and on and search for it at all settings (busprobe scan without line "
        "options); then set it with busprobe readdress. Do not build it in before.",
    ),
}
