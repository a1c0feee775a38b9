"""Sentences of a report that do not come from a finding."""

from __future__ import annotations

import re
from collections.abc import Sequence

from busprobe.model.finding import Finding

DOES_NOT_PROVE = (
    "It is no verification of the electrical installation: insulation, earthing, protective "
    "devices, fuses and cables were not tested.",
    "It does not state conformity with any standard. Its form follows the manner of verification "
    "reports; no standard that we know of covers a test of meter wiring over the bus.",
    "It does not calibrate a meter: accuracy is judged only where a reference instrument and a "
    "limit are named.",
    "It shows the hours of the visit. What is wrong only now and then may not have shown itself.",
)
NEVER_TESTED = (
    "Insulation, earthing, protective devices, fuses and cables of the installation.",
    "Accuracy of the meters, beyond the reference readings above, if there are any.",
    "Behaviour at other times, loads, temperatures or weather than during the visit.",
)
NEVER_TESTED_ON_BENCH = (
    "Accuracy beyond the reference readings above, if there are any, and at other currents, power "
    "factors and temperatures.",
    "Insulation, creepage and climate of the meter itself.",
    "How it does on the long line of the site, beside its neighbours there.",
)
ON_THE_BENCH = (
    "The meter stood on the table, alone on a short line; checks against the published SunSpec "
    "models and the MODBUS Application Protocol V1.1b3."
)
AGAINST_PLAN = "Held against the site plan by the verification."
AGAINST_PLAN_UNFINISHED = (
    "Held against the site plan by a verification that was not finished: checks that are missing "
    "here were not made."
)
WITHOUT_PLAN = (
    "There was no site plan: these checks say what the recordings prove by themselves, not whether "
    "it is what was planned."
)
# As the catalogue has it: "the devices with the serial numbers A and B."
_SERIALS = re.compile(r"devices with the serial numbers (.+?)\.(?:\s|$)")


def bench_proves() -> tuple[str, ...]:
    """What the report of a bench test shows."""
    return (
        "Who the meter says it is, and whether its register map keeps to the published models: "
        "lengths, mandatory points, scale factors, marks for what it does not implement.",
        "How it answered in the requests that were made, at each line setting listed, and how it "
        "refuses what is illegal.",
        "Whether its counter agrees with its own power, and its readings with the reference "
        "instrument, where such checks are listed as tested.",
    )


def proves(*, verified: bool, wiring: bool) -> tuple[str, ...]:
    """What the report shows, given what was done."""
    told = [
        "Which devices answered on the bus, as what they identified themselves, and whether each "
        "answered alone at its address, with the probability stated.",
        "How the line did in the requests that were made: answers, damage, silence, turn-around.",
    ]
    if wiring:
        told.append(
            "For each meter that was tested: on which conductor each current transformer is and "
            "which way round, as far as the load steps tell, with the probability stated."
        )
    if verified:
        told.append("Where the site as found, and as left, agrees with the site plan.")
    return tuple(told)


def wiring_rests_on(source: str, shown: str, at_the_visit: str | None) -> str:
    """Where a wiring verdict comes from, and whether the visit ended with another one."""
    if at_the_visit is None:
        return f"{source}; the test itself did not come to an end"
    if at_the_visit != shown:
        return f"{source}; the test itself ended with: {at_the_visit}"
    return source


def next_verification(has_defects: bool) -> str:
    """When to look again, where the technician said nothing."""
    mended = "After the defects in this report are mended, and after" if has_defects else "After"
    return (
        f"{mended} any change of a meter, a current transformer, a bus device or the line. No "
        "interval is prescribed here; agree on one with the operator of the site."
    )


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"


def conclusion(result: str, failed: int, open_faults: int, untested: int) -> str:
    """The conclusion in a sentence."""
    told = []
    if failed:
        told.append(_count(failed, "check failed", "checks failed"))
    if open_faults:
        told.append(_count(open_faults, "fault is open", "faults are open"))
    if untested:
        told.append(_count(untested, "check was not tested", "checks were not tested"))
    if result == "PASS":
        return "Every check that applies passed, and no fault is open."
    if not told:
        return "No check was made."
    return ", ".join(told) + "."


def inside(title: str) -> str:
    """A title as part of a sentence: "CT ..." stays, "Its ..." becomes "its ..."."""
    return title if title[1:2].isupper() else title[:1].lower() + title[1:]


def other_serials(findings: Sequence[Finding], known: str) -> tuple[str, ...]:
    """Serial numbers of the other devices at an address, where the finding names them all."""
    for finding in findings:
        match = _SERIALS.search(finding.cause)
        named = [] if match is None else re.split(r", | and ", match[1])
        others = tuple(f"S/N {serial}" for serial in named if serial != known)
        if known in named and others:
            return others
    return ("serial number not read",)
