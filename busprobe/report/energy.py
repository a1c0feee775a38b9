"""Power flows of the site at one instant, where roles are known and readings lie close together."""

from __future__ import annotations

from collections.abc import Sequence

from busprobe.model.reading import SignConvention, Snapshot
from busprobe.report.content import Balance
from busprobe.report.details import MeterPart
from busprobe.report.pictures.data import EnergyNode, EnergyPicture
from busprobe.report.visit import Visit

# Readings further apart than this are no balance: a kettle is switched in between. Common practice,
# no source.
CLOSE_S = 5.0


def balance_of(visits: Sequence[Visit], meters: Sequence[MeterPart]) -> Balance | None:
    """The flows at the last instant at which all meters with a role were read within seconds.

    The house is what is left: grid import + generation + discharge. It is stated only where all
    signs are known.

    Args:
        visits: Recordings of one state of the site.
        meters: Names and roles.
    """
    roles = {m.address: m for m in meters if m.role is not None}
    if len(roles) < 2 or not any(m.role == "grid" for m in roles.values()):
        return None
    for visit in reversed(visits):
        found = _together(visit, set(roles))
        if found is not None:
            return _balance(visit, found, roles)
    return None


def _together(visit: Visit, wanted: set[int]) -> dict[int, Snapshot] | None:
    latest: dict[int, Snapshot] = {}
    best: dict[int, Snapshot] | None = None
    for snapshot in visit.snapshots:
        if snapshot.address not in wanted or "P" not in snapshot.quantities:
            continue
        latest[snapshot.address] = snapshot
        if set(latest) == wanted:
            times = [s.t_ns for s in latest.values()]
            if (max(times) - min(times)) / 1e9 <= CLOSE_S:
                best = dict(latest)
    return best


def _imported_w(snapshot: Snapshot, meter: MeterPart) -> float | None:
    """Power with import positive, None where the sign is open."""
    power = snapshot.quantities["P"]
    if meter.positive is not None:
        return power if meter.positive == "import" else -power
    if snapshot.sign is SignConvention.UNKNOWN:
        return None
    return power if snapshot.sign is SignConvention.IMPORT_POSITIVE else -power


def _balance(visit: Visit, found: dict[int, Snapshot], roles: dict[int, MeterPart]) -> Balance:
    nodes: list[EnergyNode] = []
    house: float | None = 0.0
    for address, meter in sorted(roles.items()):
        assert meter.role is not None
        power = _imported_w(found[address], meter)
        note = "" if power is not None else f"{found[address].quantities['P']:+.0f} W, sign open"
        nodes.append(EnergyNode(name=meter.name, role=meter.role, power_w=power, note=note))
        if meter.role == "grid":
            house = None if house is None or power is None else house + power
        elif meter.role in ("generation", "storage"):
            house = None if house is None or power is None else house - power
    nodes.append(
        EnergyNode(
            name="house",
            role="house",
            power_w=house,
            note="grid import + generation" if house is not None else "not known: a sign is open",
        )
    )
    times = [s.t_ns for s in found.values()]
    return Balance(
        picture=EnergyPicture(nodes=tuple(nodes)),
        time=visit.time(max(times)).isoformat("T", "seconds"),
        spread_s=round((max(times) - min(times)) / 1e9, 3),
    )
