"""The system as found and as left: devices, changes, the line."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busprobe.model.device import Device
from busprobe.report import content as parts
from busprobe.report import words
from busprobe.report.made_changes import made_changes
from busprobe.report.names import Names
from busprobe.report.pictures.data import BusDrop, BusPicture, BusUnit
from busprobe.report.visit import Visit, known_devices

_ORDINALS = {0: "second", 1: "third", 2: "fourth"}


def system_of(found: Sequence[Visit], left: Sequence[Visit], names: Names) -> parts.System:
    """The devices in both states of the site, and what is another one as left."""
    before = _entries(found, names)
    after = _entries(left, names) if left else None
    pictures, pictures_left = _buses(found, before), _buses(left, after or ())
    return parts.System(
        as_found=before,
        as_left=after,
        changes=_changes(before, after or ()),
        made=made_changes((*found, *left)),
        picture=next(iter(pictures), None),
        more_pictures=tuple(pictures[1:]),
        picture_as_left=next(iter(pictures_left), None),
        more_pictures_as_left=tuple(pictures_left[1:]),
    )


def _entries(visits: Iterable[Visit], names: Names) -> tuple[parts.DeviceEntry, ...]:
    by_link: dict[str, list[Visit]] = {}
    for visit in visits:
        by_link.setdefault(visit.link, []).append(visit)
    return tuple(
        _entry(visit, device, names)
        for link in sorted(by_link)
        for _, (visit, device) in sorted(known_devices(by_link[link]).items())
    )


def _entry(visit: Visit, device: Device, names: Names) -> parts.DeviceEntry:
    identity, settings = device.identity, visit.home_settings(device.address)
    return parts.DeviceEntry(
        link=visit.link,
        address=device.address,
        name=names.name(visit, device.address),
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


def _buses(visits: Sequence[Visit], entries: Sequence[parts.DeviceEntry]) -> list[BusPicture]:
    """A picture of each line."""
    return [_bus(visits, entries, link) for link in dict.fromkeys(e.link for e in entries)]


def _bus(visits: Sequence[Visit], entries: Sequence[parts.DeviceEntry], link: str) -> BusPicture:
    findings = [f for v in visits if v.link == link for f in v.findings]
    drops = []
    for entry in entries:
        if entry.link != link:
            continue
        title = f"{entry.maker} {entry.model}".strip() or "unidentified"
        units = [BusUnit(title=title, subtitle=entry.serial and f"S/N {entry.serial}")]
        if entry.duplicate == "duplicate":
            told = [f for f in findings if f.address == entry.address]
            others = words.other_serials(told, entry.serial)
            units += [
                BusUnit(title=f"a {_ORDINALS.get(n, 'further')} device", subtitle=serial)
                for n, serial in enumerate(others)
            ]
        drops.append(BusDrop(address=entry.address, units=tuple(units), state=entry.duplicate))
    return BusPicture(link=link, drops=tuple(drops))
