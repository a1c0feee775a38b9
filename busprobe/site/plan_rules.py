"""Rules of a site plan that go beyond its syntax: what makes it useless.

Every problem comes with its place in the plan, so that all are told at once with line and column.
What only asks for a second look is advice: `busprobe.site.plan_advice`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from busprobe.diagnosis.electrical.cycle import DeviceReads, poll_cycle
from busprobe.diagnosis.electrical.rules import longest_line_m
from busprobe.model.line import LAST_ADDRESS, LinkKind

if TYPE_CHECKING:
    from busprobe.site.plan_parts import DevicePart, LinkPart, MeterPart, PlannedSite

# Modbus Messaging on TCP/IP V1.0b, section 4.4.1.2.
HOST_ITSELF = 255
# MODBUS Application Protocol V1.1b3, section 6.3.
_MOST_REGISTERS = 125
# IEC 61869-2, accuracy classes for measuring: stated up to 120 % of the rated primary current.
CT_HIGHEST = 1.2
# Ratio set and name plate: what is more is no rounding. Common practice, no source.
_RATIO_SLACK = 0.005


@dataclass(frozen=True, slots=True)
class Problem:
    """Something in a plan that does not hold.

    Attributes:
        place: Keys and indices that lead to it.
        text: What is wrong, and what would be right.
    """

    place: tuple[str | int, ...]
    text: str


def contradictions(plan: PlannedSite) -> tuple[Problem, ...]:
    """What makes the plan useless."""
    return (
        *_names(plan),
        *_references(plan),
        *_addresses(plan),
        *_roles(plan),
        *_currents(plan),
        *_fuses(plan),
        *_generators(plan),
        *_limits(plan),
        *_lines(plan),
    )


def rated_current_a(power_kw: float, phases: Sequence[str], nominal_v: float) -> float:
    """Current per phase at a rated power, unity power factor [A].

    Args:
        power_kw: Power of all phases together [kW].
        phases: Phases that share it.
        nominal_v: Voltage line to neutral [V].
    """
    return 1000.0 * power_kw / (len(phases) * nominal_v)


def place_of(plan: PlannedSite, device: DevicePart) -> tuple[str | int, ...]:
    """Where a device stands in the plan."""
    for number, meter in enumerate(plan.meters):
        if meter is device:
            return ("meters", number)
    if device is plan.inverter:
        return ("inverter",)
    return ("others", next(n for n, other in enumerate(plan.others) if other is device))


def next_free(taken: set[int]) -> int | None:
    """The lowest address that nobody has."""
    return next((a for a in range(1, LAST_ADDRESS + 1) if a not in taken), None)


def _names(plan: PlannedSite) -> Iterator[Problem]:
    links: dict[str, int] = {}
    for number, link in enumerate(plan.links):
        if link.name in links:
            yield Problem(
                ("links", number, "name"), f"{link.name!r} is already links.{links[link.name]}"
            )
        links.setdefault(link.name, number)
    seen: dict[str, str] = {}
    for device in plan.devices:
        place = place_of(plan, device)
        if device.name in seen:
            yield Problem((*place, "name"), f"{device.name!r} is already {seen[device.name]}")
        seen.setdefault(device.name, _dotted(place))
    generators: dict[str, int] = {}
    for number, generator in enumerate(plan.generators):
        first = generators.setdefault(generator.name, number)
        if first != number:
            yield Problem(
                ("generators", number, "name"), f"{generator.name!r} is already generators.{first}"
            )


def _dotted(place: Sequence[str | int]) -> str:
    return ".".join(map(str, place))


def _listed(names: Sequence[str]) -> str:
    return ", ".join(names) if names else "there is none"


def _references(plan: PlannedSite) -> Iterator[Problem]:
    links = [link.name for link in plan.links]
    meters = {m.name: m for m in plan.meters}
    for device in plan.devices:
        if device.link not in links:
            yield Problem(
                (*place_of(plan, device), "link"),
                f"there is no line {device.link!r} under 'links' ({_listed(links)})",
            )
    for number, meter in enumerate(plan.meters):
        if meter.behind is None:
            continue
        place = ("meters", number, "behind")
        if meter.behind not in meters:
            yield Problem(place, f"there is no meter {meter.behind!r} ({_listed(list(meters))})")
        elif _runs_in_circles(meter, meters):
            yield Problem(place, "the meters behind each other run in a circle")
    for number, generator in enumerate(plan.generators):
        if generator.meter is not None and generator.meter not in meters:
            yield Problem(
                ("generators", number, "meter"),
                f"there is no meter {generator.meter!r} ({_listed(list(meters))})",
            )


def _runs_in_circles(meter: MeterPart, meters: dict[str, MeterPart]) -> bool:
    upstream, steps = meter.behind, 0
    while upstream is not None and steps <= len(meters):
        if upstream == meter.name:
            return True
        found = meters.get(upstream)
        upstream = None if found is None else found.behind
        steps += 1
    return False


def _addresses(plan: PlannedSite) -> Iterator[Problem]:
    for link in plan.links:
        is_tcp = link.endpoint.kind is LinkKind.TCP
        devices = plan.devices_on(link.name)
        taken = {d.address for d in devices}
        first: dict[int, DevicePart] = {}
        for device in devices:
            place = (*place_of(plan, device), "address")
            if device.address > LAST_ADDRESS and not (is_tcp and device.address == HOST_ITSELF):
                yield Problem(
                    place,
                    f"address {device.address} is reserved: devices on a line have 1 to "
                    f"{LAST_ADDRESS} (Modbus over Serial Line V1.02, section 2.2)",
                )
            other = first.setdefault(device.address, device)
            if other is not device:
                free = next_free(taken)
                offer = "" if free is None else f"; {free} is free"
                yield Problem(
                    place,
                    f"address {device.address} on {link.name!r} is already {other.name!r}{offer}",
                )


def _roles(plan: PlannedSite) -> Iterator[Problem]:
    grid = [n for n, m in enumerate(plan.meters) if m.role == "grid"]
    for number in grid[1:]:
        yield Problem(
            ("meters", number, "role"),
            f"the grid meter is already {plan.meters[grid[0]].name!r}: a site has one feed-in "
            "point",
        )
    if not grid and plan.meters and all(m.role is not None for m in plan.meters):
        yield Problem(("meters",), "no meter has the role 'grid': a site has one feed-in point")
    for number, meter in enumerate(plan.meters):
        if meter.role == "grid" and meter.behind is not None:
            yield Problem(("meters", number, "behind"), "nothing is upstream of the grid meter")
        if meter.role == "sub-meter" and meter.behind is None:
            yield Problem(
                ("meters", number, "role"), "a sub-meter needs 'behind', the meter upstream of it"
            )
        fits = {
            "generation": ("pv", "wind", "hydro", "chp", "battery"),
            "consumption": ("load",),
            "grid": (),
        }.get(meter.role or "")
        if fits is not None and meter.feeds is not None and meter.feeds not in fits:
            wanted = f"feeds {' or '.join(fits)}" if fits else "feeds nothing of its own"
            yield Problem(
                ("meters", number, "feeds"), f"a meter with the role {meter.role!r} {wanted}"
            )


def _limit_a(meter: MeterPart) -> tuple[float, str, str] | None:
    """The current that a meter bears for good [A], in words, and the key that says so."""
    if meter.direct_a is not None:
        return meter.direct_a, f"it takes {meter.direct_a:g} A", "direct_a"
    if meter.ct is not None:
        most = CT_HIGHEST * meter.ct.primary_a
        words = f"its CTs of {meter.ct.primary_a:g} A measure up to {most:g} A (IEC 61869-2)"
        return most, words, "ct"
    return None


def _currents(plan: PlannedSite) -> Iterator[Problem]:
    for number, meter in enumerate(plan.meters):
        ct = meter.ct
        if ct is not None and ct.secondary_a is not None and ct.secondary_a >= ct.primary_a:
            yield Problem(
                ("meters", number, "ct", "secondary_a"),
                f"a secondary current of {ct.secondary_a:g} A is not below the primary current",
            )
        elif ct is not None and ct.secondary_a is not None and ct.set_ratio is not None:
            ratio = ct.primary_a / ct.secondary_a
            if abs(ct.set_ratio / ratio - 1) > _RATIO_SLACK:
                yield Problem(
                    ("meters", number, "ct", "set_ratio"),
                    f"CTs of {ct.primary_a:g}/{ct.secondary_a:g} A have the ratio {ratio:g}, not "
                    f"{ct.set_ratio:g}: every power would be {ct.set_ratio / ratio:.3g} times the "
                    "true one",
                )
        limit = _limit_a(meter)
        if limit is None:
            continue
        most, words, key = limit
        if meter.fuse_a is not None and meter.fuse_a > most:
            yield Problem(
                ("meters", number, key),
                f"the fuse of {meter.fuse_a:g} A lets more through than this meter bears: {words}",
            )
        for generator in plan.generators:
            if generator.meter != meter.name:
                continue
            current = rated_current_a(generator.rating_kw, generator.phases, plan.site.nominal_v)
            if current > most:
                yield Problem(
                    ("meters", number, key),
                    f"{generator.name!r} gives {current:.1f} A per phase at its rating; {words}",
                )


def _fuses(plan: PlannedSite) -> Iterator[Problem]:
    volts = plan.site.nominal_v
    for number, generator in enumerate(plan.generators):
        current = rated_current_a(generator.rating_kw, generator.phases, volts)
        if generator.fuse_a is not None and current > generator.fuse_a:
            yield Problem(
                ("generators", number, "fuse_a"),
                f"{generator.rating_kw:g} kW are {current:.1f} A per phase, more than the fuse of "
                f"{generator.fuse_a:g} A",
            )
    inverter = plan.inverter
    if inverter is not None and inverter.rating_kw is not None and inverter.fuse_a is not None:
        current = rated_current_a(inverter.rating_kw, inverter.phases, volts)
        if current > inverter.fuse_a:
            yield Problem(
                ("inverter", "fuse_a"),
                f"{inverter.rating_kw:g} kW are {current:.1f} A per phase, more than the fuse of "
                f"{inverter.fuse_a:g} A",
            )
    grid = plan.grid_meter
    for key in ("export_kw", "import_kw"):
        limit = getattr(plan.limits, key)
        if grid is None or grid.fuse_a is None or limit is None:
            continue
        current = rated_current_a(limit, grid.shown_phases, volts)
        if current > grid.fuse_a:
            yield Problem(
                ("limits", key),
                f"{limit:g} kW are {current:.1f} A per phase, more than the fuse of "
                f"{grid.fuse_a:g} A at the grid meter",
            )


def _generators(plan: PlannedSite) -> Iterator[Problem]:
    users: dict[str, str] = {}
    for number, generator in enumerate(plan.generators):
        meter = plan.meter(generator.meter)
        if meter is None:
            continue
        place = ("generators", number, "meter")
        if meter.role not in (None, "generation"):
            yield Problem(place, f"{meter.name!r} has the role {meter.role!r}, not 'generation'")
        elif meter.feeds not in (None, generator.kind):
            yield Problem(
                place, f"{meter.name!r} is said to feed {meter.feeds}, this is {generator.kind}"
            )
        missing = [p for p in generator.phases if p not in meter.shown_phases]
        if missing:
            yield Problem(place, f"{meter.name!r} does not measure phase {', '.join(missing)}")
        other = users.setdefault(meter.name, generator.name)
        if other != generator.name and not _same_kind(plan, meter.name):
            yield Problem(place, f"{meter.name!r} already measures {other!r} of another kind")


def _same_kind(plan: PlannedSite, meter: str) -> bool:
    return len({g.kind for g in plan.generators if g.meter == meter}) == 1


def _limits(plan: PlannedSite) -> Iterator[Problem]:
    charge = plan.limits.charge_kw
    battery, inverter = plan.battery, plan.inverter
    if battery is None:
        return
    if charge is not None and battery.charge_kw is not None and charge > battery.charge_kw:
        yield Problem(
            ("limits", "charge_kw"), f"the battery takes no more than {battery.charge_kw:g} kW"
        )
    rating, discharge = None if inverter is None else inverter.rating_kw, battery.discharge_kw
    if rating is not None and discharge is not None and discharge > 2 * rating:
        yield Problem(
            ("battery", "discharge_kw"),
            f"more than twice the rating of the inverter ({rating:g} kW): one of the two is wrong "
            "by a factor",
        )


def cycle_devices(plan: PlannedSite, link: LinkPart) -> list[DeviceReads]:
    """What the energy manager asks in one round on a line."""
    return [DeviceReads(cycle_reads(d), d.turnaround_ms) for d in plan.devices_on(link.name)]


def cycle_reads(device: DevicePart) -> tuple[int, ...]:
    """Registers of each read that the energy manager makes at a device in a round."""
    whole, rest = divmod(device.registers, _MOST_REGISTERS)
    return (_MOST_REGISTERS,) * whole + ((rest,) if rest else ())


def _lines(plan: PlannedSite) -> Iterator[Problem]:
    targets: dict[str, str] = {}
    for number, link in enumerate(plan.links):
        other = targets.setdefault(link.link, link.name)
        if other != link.name:
            yield Problem(("links", number, "link"), f"this is the line {other!r} already")
        if link.endpoint.kind is LinkKind.TCP:
            for key in ("settings", "length_m", "termination", "bias"):
                if getattr(link, key) is not None:
                    yield Problem(("links", number, key), "Modbus TCP has no such thing")
            continue
        settings, devices = link.line_settings, cycle_devices(plan, link)
        if settings is None:
            continue
        if link.poll_s is not None and devices:
            cycle = poll_cycle(settings, devices, timeout_ms=link.timeout_ms)
            if cycle.cycle_s > link.poll_s:
                yield Problem(
                    ("links", number, "poll_s"),
                    f"polling {len(devices)} devices takes {cycle.cycle_s:.2f} s at {settings}: "
                    f"the line cannot carry a poll every {link.poll_s:g} s",
                )
        if link.length_m is not None and link.length_m > longest_line_m(settings.baud):
            yield Problem(
                ("links", number, "length_m"),
                f"at {settings.baud} Bd a line is at most {longest_line_m(settings.baud):.0f} m "
                "long (length-rate rule, Serial Port Complete, table 6-1)",
            )
