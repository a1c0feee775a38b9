"""Head, site, people, instruments and files of a report."""

from __future__ import annotations

import hashlib
import re
from datetime import datetime, timedelta
from pathlib import Path

from busprobe.report import content as parts
from busprobe.report import words
from busprobe.report.bench import is_bench_only
from busprobe.report.details import Details, ReportPart
from busprobe.report.material import Material
from busprobe.report.visit import Visit


def head_of(material: Material, now: datetime, version: str) -> parts.Head:
    """What the paper is, what it shows and what it does not."""
    report = material.details.report
    return parts.Head(
        id=report.id or _made_id(material),
        revision=report.revision,
        title=_title(report.title, bench_only=is_bench_only(material.visits)),
        created=now.isoformat("T", "seconds"),
        program=f"busprobe {version}",
        proves=words.bench_proves()
        if is_bench_only(material.visits) and material.verification is None
        else words.proves(
            verified=material.verification is not None,
            wiring=any(e.body.get("step") == "wiring" for v in material.visits for e in v.events),
        ),
        does_not_prove=words.DOES_NOT_PROVE,
    )


def _title(wanted: str, *, bench_only: bool) -> str:
    """The title by the technician, else one that says what it is."""
    if bench_only and wanted == ReportPart.model_fields["title"].default:
        return "Bench test of a Modbus meter"
    return wanted


def _made_id(material: Material) -> str:
    """The same files give the same number."""
    everything = [v.sha256 for v in material.visits]
    everything += [] if material.verification is None else [material.verification.sha256]
    everything += [] if material.details_file is None else [material.details_file[1]]
    everything += [photo.sha256 for photo in material.photos]
    return "R-" + hashlib.sha256("".join(sorted(everything)).encode()).hexdigest()[:8].upper()


def site_of(material: Material) -> parts.Site:
    """Where, for whom, and when; times from the recordings."""
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


def people_of(details: Details) -> tuple[parts.Person, ...]:
    """Who verified, and who was there."""
    known = [("Technician", details.technician)]
    known += [] if details.witness is None else [("Witness", details.witness)]
    return tuple(
        parts.Person(role=role, name=p.name, company=p.company, licence=p.licence)
        for role, p in known
    )


def signatures_of(details: Details) -> tuple[parts.Person, ...]:
    """Who is to sign."""
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


def instruments_of(details: Details, version: str) -> tuple[parts.Instrument, ...]:
    """What was measured with, this program included."""
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


def sources_of(material: Material) -> tuple[parts.Source, ...]:
    """Every file that the report rests on, with its hash."""
    sources = [
        parts.Source(
            kind="recording",
            file=v.file,
            sha256=v.sha256,
            state=v.state,
            note=""
            if v.is_closed
            else "it was still being written, or its program was killed: the hash is that of the "
            "file at this moment, without its last rows in a second file (-wal)",
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


def recorded_line(visit: Visit) -> parts.RecordedLine:
    """What one recording holds."""
    return parts.RecordedLine(
        file=visit.file,
        state=visit.state,
        link=visit.link,
        link_kind=visit.head.kind.value,
        program=f"busprobe {visit.head.version}",
        started=visit.head.started.isoformat("T", "seconds"),
        duration_s=round(visit.duration_s, 3),
        work=visit.done(),
        bytes_sent=visit.traffic.bytes_sent,
        bytes_received=visit.traffic.bytes_received,
        frames=visit.traffic.frames,
        stray_bytes=visit.traffic.stray_bytes,
        exchanges=len(visit.exchanges),
        damaged_rows=visit.damaged_rows,
    )
