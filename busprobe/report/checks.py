"""The checks of a report: from a verification where there is one, else from what was recorded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from busprobe.diagnosis.catalogue import devices, wiring
from busprobe.diagnosis.wiring import WiringVerdict
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding, Severity, certainty
from busprobe.report.content import CheckEntry, CheckState, EvidenceEntry
from busprobe.report.names import Names
from busprobe.report.visit import Visit, known_devices
from busprobe.report.wiring_evidence import WiringTest, concluded

# SunSpec Alliance, information models: 1xx inverters, 2xx meters.
_METER_MODELS = range(201, 221)
_INVERTER_MODELS = range(101, 104)
_WIRING_OUTCOMES = {
    WiringVerdict.CORRECT: CheckOutcome.PASS,
    WiringVerdict.FAULT: CheckOutcome.FAIL,
}
_WIRING_CODES = frozenset(wiring.ENTRIES)
_READING_CODES = frozenset(devices.ENTRIES)


_OTHER = "registers"
_SOURCES = {
    "sunspec": "SunSpec common model",
    "device-identification": "device identification",
    "server-id": "server id",
    "profile": "registers, which fit the device profile",
}


def state_of(check: Check) -> CheckState:
    """What came of a check, as the report says it."""
    return CheckState(
        outcome=check.outcome.value,
        found=check.found,
        uncertainty=check.uncertainty,
        evidence=tuple(EvidenceEntry(exchange=e.exchange, text=e.text) for e in check.evidence),
    )


def side_by_side(
    as_found: Sequence[Check], as_left: Sequence[Check] | None
) -> tuple[CheckEntry, ...]:
    """Each check once, as found and as left; those of one subject together."""
    found = {(c.name, c.subject): c for c in as_found}
    left = {(c.name, c.subject): c for c in as_left or ()}
    entries = []
    for key in dict.fromkeys((*found, *left)):
        first, last = found.get(key), left.get(key)
        words = last or first
        assert words is not None
        entries.append(
            CheckEntry(
                name=words.name,
                subject=words.subject,
                title=words.title,
                planned=words.planned,
                as_found=None if first is None else state_of(first),
                as_left=None if last is None else state_of(last),
            )
        )
    subjects = list(dict.fromkeys(entry.subject for entry in entries))
    return tuple(sorted(entries, key=lambda entry: subjects.index(entry.subject)))


def derived_checks(
    visits: Sequence[Visit],
    tests: Mapping[int, WiringTest],
    names: Names,
) -> tuple[Check, ...]:
    """What the recordings of one state of the site prove without a plan.

    A check passes only on evidence that speaks for it; where nothing was tested it says so.

    Args:
        visits: The recordings, all of one line.
        tests: Wiring tests by address.
        names: What to call the device at an address.
    """
    known = {address: device for address, (_, device) in known_devices(visits).items()}
    findings = [f for visit in visits for f in visit.findings]
    checks: list[Check] = []
    for address in sorted(known):
        device, subject = known[address], names.name(visits[0], address)
        own = [f for f in findings if f.address == address]
        checks += [
            _identity(subject, device),
            _alone(subject, device, own, visits),
            _wiring(subject, device, tests.get(address), own),
            _readings(subject, device, own, visits),
        ]
    return tuple(checks)


def is_meter(device: Device) -> bool | None:
    """Whether a device measures with its own CTs or shunts; None where its map does not say."""
    models = () if device.sunspec is None else tuple(m.model_id for m in device.sunspec.models)
    if any(m in _METER_MODELS for m in models):
        return True
    if any(m in _INVERTER_MODELS for m in models):
        return False
    return True if device.phases else None


def _identity(subject: str, device: Device) -> Check:
    identity = device.identity
    if identity.source == "none":
        return Check(
            "identity", subject, "It says who it is", "", "no identity", CheckOutcome.NOT_TESTED,
            evidence=(Evidence(None, "it answers, but neither its map nor a profile names it"),),
        )  # fmt: skip
    serial = f", serial number {identity.serial}" if identity.serial else ""
    return Check(
        "identity", subject, "It says who it is", "", f"{identity}{serial}", CheckOutcome.PASS,
        evidence=(Evidence(None, f"read from its {_SOURCES.get(identity.source, _OTHER)}"),),
    )  # fmt: skip


def _alone(
    subject: str, device: Device, findings: Sequence[Finding], visits: Sequence[Visit]
) -> Check:
    title = "One device answers at the address"
    told = [f for f in findings if f.code.startswith("duplicate-")]
    evidence = tuple(e for f in told for e in f.evidence)
    sure = f"{certainty(told[0].probability)} sure" if told else ""
    if device.duplicate == "duplicate":
        return Check(
            "alone", subject, title, "", "more than one device", CheckOutcome.FAIL, sure,
            evidence, tuple(f.code for f in told),
        )  # fmt: skip
    if device.duplicate == "single":
        return Check(
            "alone", subject, title, "", "one device", CheckOutcome.PASS,
            evidence=(Evidence(None, _asked(device.address, visits)),),
        )  # fmt: skip
    why = Evidence(None, "the answers do not tell one device from two, or no test was made")
    return Check(
        "alone", subject, title, "", "undecided", CheckOutcome.NOT_TESTED, sure,
        (why, *evidence), tuple(f.code for f in told),
    )  # fmt: skip


def _asked(address: int, visits: Sequence[Visit]) -> str:
    count = sum(1 for v in visits for e in v.exchanges if e.address == address)
    return f"{count} requests to this address; the test for a second device found none"


def _wiring(
    subject: str, device: Device, test: WiringTest | None, findings: Sequence[Finding]
) -> Check:
    title = "Every CT and voltage lead is right"
    if is_meter(device) is False:
        return Check(
            "wiring", subject, title, "", "", CheckOutcome.NOT_APPLICABLE,
            evidence=(Evidence(None, "by its register map it is an inverter, not a meter"),),
        )  # fmt: skip
    if test is None:
        return Check(
            "wiring", subject, title, "", "", CheckOutcome.NOT_TESTED,
            evidence=(Evidence(None, "no wiring test was recorded"),),
        )  # fmt: skip
    told = [f for f in findings if f.code in _WIRING_CODES]
    end = concluded(test, findings)
    if end is None:
        why = (
            "the test did not come to an end; what was read until then speaks for: "
            f"{test.diagnosis.verdict.value}"
        )
        outcome = CheckOutcome.NOT_TESTED
        if test.diagnosis.verdict is WiringVerdict.FAULT:
            outcome = CheckOutcome.FAIL
        return Check(
            "wiring", subject, title, "", test.diagnosis.verdict.value, outcome,
            f"{certainty(test.diagnosis.probability)} sure", (Evidence(None, why),),
        )  # fmt: skip
    outcome = _WIRING_OUTCOMES.get(end, CheckOutcome.NOT_TESTED)
    if any(f.severity is Severity.FAULT for f in told):
        outcome = CheckOutcome.FAIL
    elif outcome is CheckOutcome.PASS and any(f.severity is Severity.WARNING for f in told):
        outcome = CheckOutcome.NOT_TESTED
    evidence = tuple(Evidence(None, f.summary) for f in told)
    if outcome is CheckOutcome.NOT_TESTED:
        evidence = (Evidence(None, f"tested, but not decided: {end.value}"), *evidence)
    return Check(
        "wiring", subject, title, "", end.value, outcome,
        f"{certainty(told[0].probability if told else test.diagnosis.probability)} sure",
        evidence or (Evidence(None, f"{len(test.diagnosis.steps)} switchings of the load"),),
        tuple(f.code for f in told),
    )  # fmt: skip


def _readings(
    subject: str, device: Device, findings: Sequence[Finding], visits: Sequence[Visit]
) -> Check:
    title = "Its readings are plausible"
    told = [f for f in findings if f.code in _READING_CODES and f.severity is not Severity.NOTE]
    if told:
        return Check(
            "readings", subject, title, "", told[0].summary, CheckOutcome.FAIL,
            evidence=tuple(Evidence(None, f.summary) for f in told),
            finding_codes=tuple(f.code for f in told),
        )  # fmt: skip
    polls = sum(1 for v in visits for s in v.snapshots if s.address == device.address)
    why = (
        f"{'1 reading is' if polls == 1 else f'{polls} readings are'} recorded, but not judged "
        "against a plan"
        if polls
        else "it was identified, but its readings were not recorded"
    )
    return Check(
        "readings", subject, title, "", "", CheckOutcome.NOT_TESTED, evidence=(Evidence(None, why),)
    )


def counted(entries: Iterable[CheckEntry]) -> dict[str, int]:
    """How many checks ended how, in the state that counts."""
    counts = {outcome.value: 0 for outcome in CheckOutcome}
    for entry in entries:
        counts[entry.final.outcome] += 1
    return counts
