"""Plan against observation: every comparison as a check with its evidence. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.electrical.cycle import DeviceReads, poll_cycle
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding, Severity, certainty
from busprobe.model.line import LineSettings
from busprobe.model.reading import PHASES
from busprobe.profiles.schema import DeviceProfile
from busprobe.site.items import Item
from busprobe.site.plan_parts import DevicePart, LinkPart, MeterPart
from busprobe.site.plan_rules import cycle_reads


def check(
    item: Item,
    outcome: CheckOutcome,
    *,
    planned: str = "",
    found: str = "",
    uncertainty: str = "",
    evidence: Sequence[Evidence] = (),
    findings: Sequence[Finding] = (),
) -> Check:
    """A check for an item."""
    return Check(
        item.name,
        item.subject,
        item.title,
        planned,
        found,
        outcome,
        uncertainty,
        tuple(evidence),
        tuple(dict.fromkeys(f.code for f in findings)),
    )


def not_tested(item: Item, why: str, planned: str = "") -> Check:
    """A check that applies but was not made."""
    return check(item, CheckOutcome.NOT_TESTED, planned=planned, evidence=(Evidence(None, why),))


def not_applicable(item: Item, why: str) -> Check:
    """A check that has nothing to check here."""
    return check(item, CheckOutcome.NOT_APPLICABLE, evidence=(Evidence(None, why),))


def outcome_of(good: bool) -> CheckOutcome:
    """PASS or FAIL."""
    return CheckOutcome.PASS if good else CheckOutcome.FAIL


# Find -----------------------------------------------------------------------------------------


def settings_check(
    item: Item, planned: LineSettings | None, found: Mapping[str, LineSettings | None]
) -> Check:
    """Settings of the line against those at which the planned devices answer.

    Args:
        item: The check.
        planned: By plan, None where the plan leaves them open.
        found: Settings by name of the devices that answered.
    """
    if planned is None:
        return not_applicable(item, "the plan names no line settings")
    if not found:
        return not_tested(item, "none of the planned devices answers", str(planned))
    other = {name: s for name, s in found.items() if s is not None and s != planned}
    seen = sorted({str(s) for s in found.values() if s is not None})
    return check(
        item,
        outcome_of(not other),
        planned=str(planned),
        found=", ".join(seen),
        evidence=[Evidence(None, f"{name} answers at {s}") for name, s in other.items()]
        or [Evidence(None, f"{len(found)} planned devices answer at these settings")],
    )


def answers_check(
    item: Item,
    part: DevicePart,
    planned: LineSettings | None,
    found: Device | None,
    settings: LineSettings | None,
    elsewhere: Sequence[str],
) -> Check:
    """Whether somebody answers at the planned address and settings.

    Args:
        item: The check.
        part: The device by plan.
        planned: Settings of its line by plan.
        found: Who answers at its address.
        settings: The settings at which they answer.
        elsewhere: Where its serial number, or an unplanned device of its model, was seen instead.
    """
    at = "" if planned is None else f" at {planned}"
    wanted = f"address {part.address}{at}"
    hints = [Evidence(None, text) for text in elsewhere]
    if found is None:
        return check(
            item,
            CheckOutcome.FAIL,
            planned=wanted,
            found="nobody answers",
            evidence=hints or [Evidence(None, "every request to this address stayed unanswered")],
        )
    median = found.turnaround.median_ms
    seen = "answers" if settings is None else f"answers at {settings}"
    good = planned is None or settings is None or settings == planned
    told = "" if median is None else f"median turn-around {median:.1f} ms"
    return check(
        item,
        outcome_of(good),
        planned=wanted,
        found=seen,
        evidence=[Evidence(None, told or "it was heard at this address"), *hints],
    )


def elsewhere(
    part: DevicePart, found: Mapping[int, Device], strangers: Sequence[Device]
) -> tuple[str, ...]:
    """Where a device that is missed may be.

    Args:
        part: The device by plan.
        found: Devices by address.
        strangers: Those of them that the plan does not know.
    """
    if part.address in found:
        return ()
    if part.serial:
        at = [a for a, d in found.items() if d.identity.serial == part.serial]
        if at:
            return tuple(f"its serial number {part.serial} answers at address {a}" for a in at)
    return tuple(
        f"a {d.identity} that is not planned answers at address {d.address}"
        for d in strangers
        if part.model and _same(part.model, d.identity.model)
    )


def maybe_at(
    made: Check, part: DevicePart, address: int, serials: Sequence[str], shared: Device | None
) -> Check:
    """The same check, knowing that more than one device answers at another address.

    Args:
        made: The check that failed.
        part: The device that is missed.
        address: Where more than one device answers.
        serials: Serial numbers that were read there.
        shared: What is known of the devices there.
    """
    if part.serial and part.serial in serials:
        text = f"its serial number {part.serial} answers at address {address}, not alone there"
    elif shared is not None and part.model and _same(part.model, shared.identity.model):
        text = (
            f"more than one device answers at address {address}, a {shared.identity} among them: "
            "it may be there"
        )
    else:
        return made
    return replace(made, evidence=(*made.evidence, Evidence(None, text)))


def unplanned_check(item: Item, found: Sequence[Device], searched: int, whole: bool) -> Check:
    """Whether anybody answers who is not in the plan.

    Args:
        item: The check.
        found: Devices at addresses that the plan does not know.
        searched: How many addresses were asked.
        whole: Whether that were all.
    """
    if found:
        return check(
            item,
            CheckOutcome.FAIL,
            found=", ".join(f"address {d.address}" for d in found),
            evidence=[
                Evidence(None, f"address {d.address}: {_who(d)}, not in the plan") for d in found
            ],
        )
    if not whole:
        return not_tested(item, f"only the {searched} planned addresses were asked")
    return check(
        item,
        CheckOutcome.PASS,
        found="nobody",
        evidence=[Evidence(None, f"{searched} addresses were asked")],
    )


def _who(device: Device) -> str:
    serial = device.identity.serial
    return f"{device.identity}, serial number {serial}" if serial else str(device.identity)


def alone_check(item: Item, verdict: DuplicateVerdict, findings: Sequence[Finding]) -> Check:
    """Whether one device answers at an address."""
    sure = f"{certainty(verdict.probability)} sure"
    if verdict.verdict in ("single", "duplicate"):
        serials = ", ".join(verdict.serials)
        found = "one device" if verdict.verdict == "single" else "more than one device"
        # One device now, but another one than before: then two share the address, or somebody
        # exchanged it meanwhile.
        same = all(f.code != "another-meter" for f in findings)
        if not same:
            found += ", and not the one before"
        return check(
            item,
            outcome_of(verdict.verdict == "single" and same),
            planned="one device",
            found=f"{found}, serial number {serials}" if serials else found,
            uncertainty=sure,
            evidence=verdict.evidence,
            findings=findings,
        )
    why = (
        "the address stayed silent during the test"
        if verdict.verdict == "silent"
        else f"the answers do not tell one device from two; two: {sure}"
    )
    return check(
        item,
        CheckOutcome.NOT_TESTED,
        planned="one device",
        found=verdict.verdict,
        uncertainty=sure,
        evidence=(Evidence(None, why), *verdict.evidence),
        findings=findings,
    )


# Identity -------------------------------------------------------------------------------------


def _same(planned: str, found: str) -> bool:
    """Whether two names are alike but for case, spaces and signs."""

    def bare(text: str) -> str:
        return "".join(c for c in text.casefold() if c.isalnum())

    return bare(planned) == bare(found)


def identity_check(
    item: Item, part: DevicePart, found: Device, profile: DeviceProfile | None
) -> Check:
    """Make and model against the plan.

    Args:
        item: The check.
        part: The device by plan.
        found: The device that answers.
        profile: The profile that the plan names.
    """
    wanted = [(w, g) for w, g in _wanted(part, found, profile) if w]
    if not wanted:
        return not_applicable(item, "the plan names no maker, model or profile")
    planned = " ".join(w for w, _ in wanted)
    if found.identity.source == "none" and found.profile is None:
        return not_tested(item, "the device does not say who it is, and no profile fits", planned)
    return check(
        item,
        outcome_of(all(_same(w, g) for w, g in wanted)),
        planned=planned,
        found=" ".join(g for _, g in wanted) or "nothing",
        evidence=[Evidence(None, f"by its {_SOURCES.get(found.identity.source, 'own words')}")],
    )


_SOURCES = {
    "sunspec": "SunSpec common model",
    "device-identification": "device identification",
    "server-id": "server id",
    "profile": "register map, which fits the device profile",
}


def _wanted(
    part: DevicePart, found: Device, profile: DeviceProfile | None
) -> list[tuple[str, str]]:
    pairs = [(part.maker, found.identity.maker), (part.model, found.identity.model)]
    if profile is not None and found.profile != profile.name:
        # A SunSpec device fits no profile; its words must be those of the profile then.
        pairs += [(profile.maker, found.identity.maker), (profile.model, found.identity.model)]
    elif profile is not None:
        pairs.append((profile.name, found.profile or ""))
    return pairs


def serial_check(item: Item, part: DevicePart, found: Device) -> Check:
    """Serial number against the plan."""
    if not part.serial:
        return not_applicable(item, "the plan names no serial number")
    serial = found.identity.serial
    if not serial:
        why = "the device does not tell its serial number: read its name plate"
        return not_tested(item, why, part.serial)
    return check(
        item,
        outcome_of(serial.strip() == part.serial.strip()),
        planned=part.serial,
        found=serial,
        evidence=[Evidence(None, f"by its {_SOURCES.get(found.identity.source, 'own words')}")],
    )


def phases_check(item: Item, part: MeterPart, found: Device) -> Check:
    """Phases of the register map against the plan."""
    planned = part.shown_phases
    if not found.phases:
        why = "no register map of it is known that names its phases"
        return not_tested(item, why, ", ".join(planned))
    # A meter with more inputs than are used is no fault.
    measured = PHASES[: found.phases]
    missing = [p for p in planned if p not in measured]
    return check(
        item,
        outcome_of(not missing),
        planned=", ".join(planned),
        found=", ".join(measured),
        evidence=[Evidence(None, f"its map has values for {found.phases} phases")],
    )


# Line -----------------------------------------------------------------------------------------


def health_check(item: Item, findings: Sequence[Finding], tallied: str, healthy: float) -> Check:
    """Whether anything is wrong with the line.

    Args:
        item: The check.
        findings: What the experiment on the line told.
        tallied: Its counts, in words.
        healthy: Probability that nothing is wrong.
    """
    serious = [f for f in findings if f.severity is not Severity.NOTE]
    undecided = [f for f in serious if f.code == "line-undecided"]
    outcome = outcome_of(not serious)
    if undecided and len(undecided) == len(serious):
        outcome = CheckOutcome.NOT_TESTED
    return check(
        item,
        outcome,
        found="; ".join(f.summary for f in findings) or "nothing is wrong with it",
        uncertainty=f"{certainty(healthy)} sure that nothing is wrong",
        evidence=(Evidence(None, tallied), *(e for f in findings for e in f.evidence[:2])),
        findings=findings,
    )


def poll_check(
    item: Item, link: LinkPart, parts: Sequence[DevicePart], found: Mapping[int, Device]
) -> Check:
    """Whether the planned polling fits, with the turn-arounds that were measured.

    Args:
        item: The check.
        link: The line by plan.
        parts: Its devices by plan.
        found: Those that answer, by address.
    """
    settings = link.line_settings
    if link.poll_s is None or settings is None:
        return not_applicable(item, "the plan names no poll interval, or no line settings")
    reads, measured = [], 0
    for part in parts:
        device = found.get(part.address)
        median = None if device is None else device.turnaround.median_ms
        measured += median is not None
        turnaround = part.turnaround_ms if median is None else median
        reads.append(DeviceReads(cycle_reads(part), turnaround))
    planned = f"every {link.poll_s:g} s"
    if not measured:
        return not_tested(item, "no turn-around was measured", planned)
    cycle = poll_cycle(settings, reads, timeout_ms=link.timeout_ms)
    return check(
        item,
        outcome_of(cycle.worst_s <= link.poll_s),
        planned=planned,
        found=f"{cycle.cycle_s:.2f} s, {cycle.worst_s:.2f} s with one time-out",
        uncertainty=f"turn-around measured at {measured} of {len(parts)} devices",
        evidence=[Evidence(None, f"{sum(len(r.registers) for r in reads)} reads at {settings}")],
    )
