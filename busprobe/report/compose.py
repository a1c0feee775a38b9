"""From recordings, a verification and details to the content of a report."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from busprobe.diagnosis.catalogue import addresses, wiring
from busprobe.diagnosis.wiring import WiringVerdict
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.model.finding import Finding, Severity
from busprobe.report import content as parts
from busprobe.report import words
from busprobe.report.checks import counted, derived_checks, side_by_side
from busprobe.report.details import Details
from busprobe.report.energy import balance_of
from busprobe.report.health import (
    collision_picture,
    device_health,
    histogram_picture,
    turnarounds_ms,
)
from busprobe.report.meters import meter_readings, reference_entries
from busprobe.report.pictures.data import (
    BusDrop,
    BusPicture,
    BusUnit,
    CollisionPicture,
    HistogramPicture,
)
from busprobe.report.plots import phasor_picture, trend_picture
from busprobe.report.visit import Visit
from busprobe.report.wiring_evidence import WiringTest, wiring_tests
from busprobe.site.state import StateFile

_MOST_EXPLANATIONS = 4
_ORDER = {Severity.FAULT: 0, Severity.WARNING: 1, Severity.NOTE: 2}


@dataclass(frozen=True, slots=True)
class Verification:
    """A verification that was read from its file."""

    file: str
    sha256: str
    state: StateFile


@dataclass(frozen=True, slots=True)
class Material:
    """What a report is made from.

    Attributes:
        visits: The recordings, as found and as left.
        verification: Plan against found, where there is one.
        details: What only people know.
        details_file: Name and SHA-256 of the file they came from, or None.
    """

    visits: tuple[Visit, ...]
    verification: Verification | None = None
    details: Details = field(default_factory=Details)
    details_file: tuple[str, str] | None = None

    def of(self, state: parts.State) -> tuple[Visit, ...]:
        """The recordings of one state of the site, oldest first."""
        found = [v for v in self.visits if v.state == state]
        return tuple(sorted(found, key=lambda v: v.head.started))


def compose(material: Material, *, now: datetime, version: str) -> parts.Report:
    """Put a report together.

    Args:
        material: What it is made from.
        now: Wall clock, with offset.
        version: Version of the program.

    Raises:
        InputError: There is neither a recording nor a verification.
    """
    if not material.visits and material.verification is None:
        raise InputError(
            "A report needs a recording or a verification.",
            "Make one with --record FILE, or give --verification STATE.json.",
        )
    found, left = material.of("as-found"), material.of("as-left")
    names = _names(material)
    tests = {visit.file: {t.address: t for t in wiring_tests(visit)} for visit in (*found, *left)}
    checks, rest_on = _checks(material, tests, names)
    defects = _defects(material, tests)
    open_faults = sum(d.severity == "fault" and d.state == "open" for d in defects)
    listed = [d for d in defects if d.severity != "note"]
    details = material.details
    return parts.Report(
        head=_head(material, now, version),
        conclusion=_conclusion(checks, open_faults, as_left=_has_left(material)),
        site=_site(material),
        people=_people(details),
        instruments=_instruments(details, version),
        sources=_sources(material),
        recordings=tuple(_recorded_line(v) for v in (*found, *left)),
        system=_system(found, left, names),
        checks=checks,
        checks_rest_on=rest_on,
        wiring=tuple(
            _wiring(visit, test, names)
            for visit in (*found, *left)
            for test in tests[visit.file].values()
        ),
        balance=balance_of((left or found), details.meters),
        readings=meter_readings((*found, *left), names),
        references=reference_entries(details.references, (left or found)),
        health=_health(found, left, names),
        defects=tuple(listed),
        notes=tuple(d for d in defects if d.severity == "note"),
        not_tested=_not_tested(checks),
        next_verification=details.report.next_verification
        or words.next_verification(any(d.state == "open" for d in listed)),
        signatures=_signatures(details),
    )


def _has_left(material: Material) -> bool:
    verified = material.verification
    return bool(material.of("as-left")) or (
        verified is not None and verified.state.as_left is not None
    )


def _names(material: Material) -> dict[int, str]:
    """What to call the device at an address: its name by the technician, else by itself."""
    names: dict[int, str] = {}
    for visit in material.visits:
        for address, device in visit.devices.items():
            if device.identity.source != "none":
                names[address] = f"{device.identity} at address {address}"
            else:
                names.setdefault(address, f"address {address}")
    for meter in material.details.meters:
        names[meter.address] = f"{visible(meter.name)} (address {meter.address})"
    return names


def _head(material: Material, now: datetime, version: str) -> parts.Head:
    report = material.details.report
    return parts.Head(
        id=report.id or _made_id(material),
        revision=report.revision,
        title=report.title,
        created=now.isoformat("T", "seconds"),
        program=f"busprobe {version}",
        proves=words.proves(
            verified=material.verification is not None,
            wiring=any(e.body.get("step") == "wiring" for v in material.visits for e in v.events),
        ),
        does_not_prove=words.DOES_NOT_PROVE,
    )


def _made_id(material: Material) -> str:
    """The same files give the same number."""
    everything = [v.sha256 for v in material.visits]
    everything += [] if material.verification is None else [material.verification.sha256]
    everything += [] if material.details_file is None else [material.details_file[1]]
    return "R-" + hashlib.sha256("".join(sorted(everything)).encode()).hexdigest()[:8].upper()


def _site(material: Material) -> parts.Site:
    site = material.details.site
    starts = [v.head.started for v in material.visits]
    ends = [v.head.started + timedelta(seconds=v.duration_s) for v in material.visits]
    name = site.name
    if not name and material.verification is not None:
        name = material.verification.state.site
    return parts.Site(
        name=name,
        customer=site.customer,
        address=site.address,
        order=site.order,
        grid_operator=site.grid_operator,
        metering_point=site.metering_point,
        started=min(starts).isoformat("T", "seconds") if starts else "",
        ended=max(ends).isoformat("T", "seconds") if ends else "",
        weather=site.weather,
        notes=tuple(" ".join(p.split()) for p in re.split(r"\n\s*\n", site.notes) if p.strip()),
    )


def _people(details: Details) -> tuple[parts.Person, ...]:
    known = [("Technician", details.technician)]
    known += [] if details.witness is None else [("Witness", details.witness)]
    return tuple(
        parts.Person(role=role, name=p.name, company=p.company, licence=p.licence)
        for role, p in known
    )


def _signatures(details: Details) -> tuple[parts.Person, ...]:
    verifier = details.technician
    receiver = details.witness
    return (
        parts.Person(
            role="Verified by",
            name=verifier.name,
            company=verifier.company,
            licence=verifier.licence,
        ),
        parts.Person(
            role="Received by",
            name="" if receiver is None else receiver.name,
            company="" if receiver is None else receiver.company,
            licence="",
        ),
    )


def _instruments(details: Details, version: str) -> tuple[parts.Instrument, ...]:
    tools = [
        parts.Instrument(
            kind=i.kind,
            maker=i.maker,
            model=i.model,
            serial=i.serial,
            calibrated=str(i.calibrated),
            certificate=i.certificate,
            accuracy=i.accuracy,
        )
        for i in details.instruments
    ]
    tools.append(
        parts.Instrument(
            kind="Bus diagnosis",
            maker="",
            model=f"busprobe {version}",
            serial="",
            calibrated="not applicable",
            certificate="",
            accuracy="counts bytes; times as stated beside them",
        )
    )
    return tuple(tools)


def _sources(material: Material) -> tuple[parts.Source, ...]:
    sources = [
        parts.Source(
            kind="recording",
            file=v.file,
            sha256=v.sha256,
            state=v.state,
            note=""
            if v.is_closed
            else "not ended in order: its last rows are in a second file (-wal) that the hash "
            "does not cover",
        )
        for v in (*material.of("as-found"), *material.of("as-left"))
    ]
    verified = material.verification
    if verified is not None:
        sources.append(
            parts.Source(
                kind="plan",
                file=Path(verified.state.plan_file).name,
                sha256=verified.state.plan_sha256,
                state=None,
                note="as named by the verification",
            )
        )
        sources.append(
            parts.Source(
                kind="verification",
                file=verified.file,
                sha256=verified.sha256,
                state=None,
                note="",
            )
        )
    if material.details_file is not None:
        name, sha256 = material.details_file
        sources.append(parts.Source(kind="details", file=name, sha256=sha256, state=None, note=""))
    return tuple(sources)


def _recorded_line(visit: Visit) -> parts.RecordedLine:
    return parts.RecordedLine(
        file=visit.file,
        state=visit.state,
        link=visit.link,
        link_kind=visit.head.kind.value,
        program=f"busprobe {visit.head.version}",
        started=visit.head.started.isoformat("T", "seconds"),
        duration_s=round(visit.duration_s, 3),
        work=visit.done(),
        bytes_sent=sum(len(c.data) for c in visit.chunks if c.direction == "sent"),
        bytes_received=sum(len(c.data) for c in visit.chunks if c.direction == "received"),
        frames=sum(f.role is not None for f in visit.frames),
        stray_bytes=sum(len(f.data) for f in visit.frames if f.role is None),
        exchanges=len(visit.exchanges),
        damaged_rows=visit.damaged_rows,
    )


# System ------------------------------------------------------------------------------------------


def _system(
    found: Sequence[Visit], left: Sequence[Visit], names: Mapping[int, str]
) -> parts.System:
    before = _entries(found, names)
    after = _entries(left, names) if left else None
    return parts.System(
        as_found=before,
        as_left=after,
        changes=_changes(before, after or ()),
        picture=_bus(found, before),
        picture_as_left=_bus(left, after or ()),
    )


def _entries(visits: Iterable[Visit], names: Mapping[int, str]) -> tuple[parts.DeviceEntry, ...]:
    entries: dict[tuple[str, int], parts.DeviceEntry] = {}
    for visit in visits:
        for address, device in visit.devices.items():
            entries[visit.link, address] = _entry(visit, device, names)
    return tuple(entries[key] for key in sorted(entries))


def _entry(visit: Visit, device: Device, names: Mapping[int, str]) -> parts.DeviceEntry:
    identity, settings = device.identity, visit.home_settings(device.address)
    return parts.DeviceEntry(
        link=visit.link,
        address=device.address,
        name=names.get(device.address, ""),
        maker=identity.maker,
        model=identity.model,
        version=identity.version,
        serial=identity.serial,
        identity_source=identity.source,
        models=() if device.sunspec is None else tuple(m.model_id for m in device.sunspec.models),
        profile=device.profile or "",
        settings="" if settings is None else str(settings),
        duplicate=_duplicate(device),
        turnaround_median_ms=device.turnaround.median_ms,
        turnaround_p95_ms=device.turnaround.p95_ms,
        phases=device.phases,
    )


def _duplicate(device: Device) -> parts.DuplicateWord:
    if device.duplicate == "single":
        return "single"
    return "duplicate" if device.duplicate == "duplicate" else "undecided"


def _changes(
    before: Sequence[parts.DeviceEntry], after: Sequence[parts.DeviceEntry]
) -> tuple[parts.Change, ...]:
    """What is another one as left, told by serial number."""
    known = {(e.maker, e.model, e.serial): e for e in before if e.serial}
    changes = []
    for entry in after:
        old = known.get((entry.maker, entry.model, entry.serial))
        subject = f"{entry.maker} {entry.model}, serial number {entry.serial}"
        if old is None:
            continue
        if old.address != entry.address:
            changes.append(
                parts.Change(
                    subject=subject,
                    setting="address",
                    before=str(old.address),
                    after=str(entry.address),
                )
            )
        if old.settings and entry.settings and old.settings != entry.settings:
            changes.append(
                parts.Change(
                    subject=subject,
                    setting="line settings",
                    before=old.settings,
                    after=entry.settings,
                )
            )
    return tuple(changes)


def _bus(visits: Sequence[Visit], entries: Sequence[parts.DeviceEntry]) -> BusPicture | None:
    if not entries:
        return None
    link = entries[0].link
    findings = [f for v in visits if v.link == link for f in v.findings]
    drops = []
    for entry in entries:
        if entry.link != link:
            continue
        title = f"{entry.maker} {entry.model}".strip() or "unidentified"
        units = [BusUnit(title=title, subtitle=entry.serial and f"S/N {entry.serial}")]
        if entry.duplicate == "duplicate":
            other = words.other_serial(
                [f for f in findings if f.address == entry.address], entry.serial
            )
            units.append(BusUnit(title="a second device", subtitle=other))
        drops.append(BusDrop(address=entry.address, units=tuple(units), state=entry.duplicate))
    return BusPicture(link=link, drops=tuple(drops))


# Results -----------------------------------------------------------------------------------------


def _checks(
    material: Material,
    tests: Mapping[str, Mapping[int, WiringTest]],
    names: Mapping[int, str],
) -> tuple[tuple[parts.CheckEntry, ...], str]:
    verified = material.verification
    if verified is not None and (verified.state.as_found or verified.state.as_left):
        state = verified.state
        before = () if state.as_found is None else state.as_found.checks
        after = None if state.as_left is None else state.as_left.checks
        whole = all(v is None or v.complete for v in (state.as_found, state.as_left))
        rest_on = words.AGAINST_PLAN if whole else words.AGAINST_PLAN_UNFINISHED
        return side_by_side(before, after), rest_on
    found, left = material.of("as-found"), material.of("as-left")

    def judged(visits: Sequence[Visit]) -> tuple[Check, ...]:
        merged = {a: t for v in visits for a, t in tests[v.file].items()}
        return derived_checks(visits, merged, names)

    return side_by_side(judged(found), judged(left) if left else None), words.WITHOUT_PLAN


def _conclusion(
    checks: Sequence[parts.CheckEntry], open_faults: int, *, as_left: bool
) -> parts.Conclusion:
    counts = counted(checks)
    failed = counts[CheckOutcome.FAIL]
    untested = counts[CheckOutcome.NOT_TESTED]
    result: parts.ResultWord = "PASS"
    if failed or open_faults:
        result = "FAIL"
    elif untested or not counts[CheckOutcome.PASS]:
        result = "INCOMPLETE"
    return parts.Conclusion(
        result=result,
        text=words.conclusion(result, failed, open_faults, untested),
        state="as-left" if as_left else "as-found",
        passed=counts[CheckOutcome.PASS],
        failed=failed,
        not_tested=untested,
        not_applicable=counts[CheckOutcome.NOT_APPLICABLE],
    )


def _not_tested(checks: Sequence[parts.CheckEntry]) -> tuple[str, ...]:
    told = []
    for entry in checks:
        if entry.final.outcome == "NOT TESTED":
            why = entry.final.evidence[0].text if entry.final.evidence else "no reason was noted"
            told.append(f"{entry.subject}: {words.inside(entry.title)} – {why}")
    return (*told, *words.NEVER_TESTED)


def _defects(
    material: Material, tests: Mapping[str, Mapping[int, WiringTest]]
) -> tuple[parts.Defect, ...]:
    """Findings of every recording and the verification, each with what became of it."""
    before, after = _findings(material, "as-found"), _findings(material, "as-left")
    told = []
    for key, finding in {**before, **after}.items():
        gone = key not in after and _is_gone(finding, material, tests)
        told.append(_defect(finding, "not found again" if gone else "open"))
    ranks = {s.value: n for s, n in _ORDER.items()}
    return tuple(
        sorted(
            told,
            key=lambda d: (d.state != "open", ranks[d.severity], d.address or 0, d.code),
        )
    )


def _is_gone(
    finding: Finding, material: Material, tests: Mapping[str, Mapping[int, WiringTest]]
) -> bool:
    """Whether the site as left was tested for this very thing, and it was right.

    That a finding does not come up again proves nothing where nobody looked again.
    """
    for visit in material.of("as-left"):
        test = tests[visit.file].get(finding.address or 0)
        if finding.code in wiring.ENTRIES and test is not None:
            return test.diagnosis.verdict in (WiringVerdict.CORRECT, WiringVerdict.FAULT)
        device = visit.devices.get(finding.address or 0)
        if finding.code in addresses.ENTRIES and device is not None:
            return device.duplicate == "single"
    verified = material.verification
    if verified is None or verified.state.as_found is None or verified.state.as_left is None:
        return False
    failed = {
        (c.name, c.subject) for c in verified.state.as_found.checks
        if finding.code in c.finding_codes
    }  # fmt: skip
    again = [c for c in verified.state.as_left.checks if (c.name, c.subject) in failed]
    return bool(again) and all(c.outcome is CheckOutcome.PASS for c in again)


def _findings(
    material: Material, state: parts.State
) -> dict[tuple[str, int | None, str | None], Finding]:
    found: dict[tuple[str, int | None, str | None], Finding] = {}
    for visit in material.of(state):
        found |= {(f.code, f.address, None): f for f in visit.findings}
    verified = material.verification
    checked = None if verified is None else verified.state.visit(state)
    for finding in () if checked is None else checked.findings:
        found.setdefault((finding.code, finding.address, None), finding)
    return found


def _defect(finding: Finding, state: parts.DefectState) -> parts.Defect:
    return parts.Defect(
        code=finding.code,
        severity=finding.severity.value,
        address=finding.address,
        device=finding.device or "",
        summary=finding.summary,
        cause=finding.cause,
        probability=finding.probability,
        evidence=tuple(
            parts.EvidenceEntry(exchange=e.exchange, text=e.text) for e in finding.evidence
        ),
        remedy=finding.remedy,
        caution=finding.caution or "",
        state=state,
    )


# Wiring and line ---------------------------------------------------------------------------------


def _wiring(visit: Visit, test: WiringTest, names: Mapping[int, str]) -> parts.WiringEntry:
    diagnosis = test.diagnosis
    shown = diagnosis.explanations[:_MOST_EXPLANATIONS]
    return parts.WiringEntry(
        address=test.address,
        device=names.get(test.address, f"address {test.address}"),
        state=visit.state,
        verdict=diagnosis.verdict.value,
        probability=diagnosis.probability,
        rests_on=test.rests_on,
        sign=diagnosis.sign,
        explanations=tuple(
            parts.ExplanationEntry(
                probability=e.probability,
                cts=tuple(
                    parts.CtEntry(
                        input=c.input,
                        conductor=c.conductor,
                        direction=c.direction,
                        ratio=c.ratio,
                    )
                    for c in e.cts
                ),
                voltages=tuple(
                    parts.LeadEntry(input=v.input, conductor=v.conductor) for v in e.voltages
                ),
                neutral=e.neutral,
                remedy=e.remedy,
            )
            for e in shown
        ),
        more_explanations=len(diagnosis.explanations) - len(shown),
        not_identifiable=diagnosis.not_identifiable,
        next_experiment=diagnosis.next_experiment or "",
        steps=tuple(
            parts.LoadStepEntry(t_s=s.t_s, conductor=s.conductor, dp_w=s.dp_w, dq_var=s.dq_var)
            for s in diagnosis.steps
        ),
        phasors=phasor_picture(test),
        trend=trend_picture(test),
    )


def _health(
    found: Sequence[Visit], left: Sequence[Visit], names: Mapping[int, str]
) -> parts.Health:
    together: dict[tuple[str, str, int], list[Visit]] = {}
    for visit in (*found, *left):
        for address in visit.devices:
            together.setdefault((visit.state, visit.link, address), []).append(visit)
    rows = [
        device_health(visits, address, names.get(address, f"address {address}"))
        for (_, _, address), visits in sorted(together.items())
    ]
    return parts.Health(
        devices=tuple(row for row in rows if row.requests),
        histogram=_histogram(found or left, names),
        collision=next((c for v in (*found, *left) if (c := _collision(v)) is not None), None),
    )


def _histogram(visits: Sequence[Visit], names: Mapping[int, str]) -> HistogramPicture | None:
    times: dict[int, list[float]] = {}
    for visit in visits:
        for address in visit.devices:
            times.setdefault(address, []).extend(turnarounds_ms(visit.at_home(address)))
    return histogram_picture(
        [(names.get(a, f"address {a}"), values) for a, values in sorted(times.items()) if values]
    )


def _collision(visit: Visit) -> CollisionPicture | None:
    for finding in visit.findings:
        if finding.code == "duplicate-address" and finding.address is not None:
            cited = [e.exchange for e in finding.evidence if e.exchange is not None]
            picture = collision_picture(visit, finding.address, cited)
            if picture is not None:
                return picture
    return None
