"""Which checks a plan implies, in the order in which they are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from busprobe.model.line import LinkKind
from busprobe.site.plan import SitePlan
from busprobe.site.plan_parts import MeterPart


class Group(StrEnum):
    """Checks that are made together; what `--only` names."""

    FIND = "find"
    DUPLICATES = "duplicates"
    IDENTITY = "identity"
    LINE = "line"
    READINGS = "readings"
    WIRING = "wiring"
    BALANCE = "balance"
    COUPLING = "coupling"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of check.

    Attributes:
        group: What it belongs to.
        title: What is checked, in words.
    """

    group: Group
    title: str


KINDS: dict[str, Kind] = {
    "other-master": Kind(Group.FIND, "Nobody else talks on the line"),
    "line-settings": Kind(Group.FIND, "The line talks the planned settings"),
    "unplanned-devices": Kind(Group.FIND, "Nobody answers who is not planned"),
    "answers": Kind(Group.FIND, "Answers at its address and settings"),
    "alone": Kind(Group.DUPLICATES, "Is alone at its address"),
    "identity": Kind(Group.IDENTITY, "Is the planned make and model"),
    "serial": Kind(Group.IDENTITY, "Has the planned serial number"),
    "phases": Kind(Group.IDENTITY, "Measures the planned phases"),
    "line-health": Kind(Group.LINE, "The line is healthy"),
    "poll-cycle": Kind(Group.LINE, "The line carries the planned polling"),
    "readings": Kind(Group.READINGS, "Its readings agree with themselves and its ratings"),
    "wiring": Kind(Group.WIRING, "Every CT and voltage lead is on its conductor, right way round"),
    "sign": Kind(Group.BALANCE, "Positive power means what the plan says"),
    "role": Kind(Group.BALANCE, "Power flows as its role says"),
    "daily-pattern": Kind(Group.BALANCE, "Its power follows the sun"),
    "follows": Kind(Group.BALANCE, "The grid meter sees this generator"),
    "export-limit": Kind(Group.BALANCE, "The export limit is kept while reading"),
    "house-load": Kind(Group.BALANCE, "Grid and generation leave a house that draws power"),
    "balance": Kind(Group.BALANCE, "All meters add up"),
    "island": Kind(Group.COUPLING, "The inverter bears the generators without the grid"),
    "charging": Kind(Group.COUPLING, "The charging power suits generators and inverter"),
    "exporting": Kind(Group.COUPLING, "The export limit can be kept with a full battery"),
}


@dataclass(frozen=True, slots=True)
class Item:
    """A check to be made.

    Attributes:
        name: A key of `KINDS`.
        subject: The site, a line, or a device by its name in the plan.
        link: Name of the line it is made on, None for the site.
    """

    name: str
    subject: str
    link: str | None = None

    @property
    def key(self) -> tuple[str, str]:
        """What a check is known by."""
        return self.name, self.subject

    @property
    def group(self) -> Group:
        """The group it belongs to."""
        return KINDS[self.name].group

    @property
    def title(self) -> str:
        """What is checked, in words."""
        return KINDS[self.name].title


def implied(plan: SitePlan, kinds: Mapping[str, LinkKind] | None = None) -> tuple[Item, ...]:
    """All checks that a plan implies.

    Args:
        plan: The plan.
        kinds: What kind of link the bytes of a line travelled by, where its name does not say so:
            a replay stands for the link that was recorded.
    """
    by_name = {link.name: link.endpoint.kind for link in plan.links} | dict(kinds or {})
    site = plan.site.name
    items = [Item(name, site) for name in ("island", "charging", "exporting")]
    for link in plan.links:
        items += _on_line(plan, link.name, by_name[link.name] is LinkKind.TCP)
    for meter in plan.meters:
        items += _of_role(plan, meter)
    items += [
        Item("follows", generator.name, measured.link)
        for generator in plan.generators
        if (measured := plan.meter(generator.meter)) is not None
    ]
    grid = plan.grid_meter
    if grid is not None:
        if plan.limits.export_kw is not None:
            items.append(Item("export-limit", grid.name, grid.link))
        items += [Item("house-load", site, grid.link), Item("balance", site, grid.link)]
    return tuple(items)


def _on_line(plan: SitePlan, link: str, is_tcp: bool) -> list[Item]:
    devices = plan.devices_on(link)
    names = ("unplanned-devices",) if is_tcp else ("other-master", "line-settings")
    items = [Item(name, link, link) for name in names]
    if not is_tcp:
        items.append(Item("unplanned-devices", link, link))
    for name in ("answers", "alone", "identity", "serial"):
        items += [Item(name, d.name, link) for d in devices]
    meters = [d for d in devices if isinstance(d, MeterPart)]
    measuring = [d for d in devices if d not in plan.others]
    items += [Item("phases", m.name, link) for m in meters]
    if not is_tcp:
        items += [Item("line-health", link, link), Item("poll-cycle", link, link)]
    items += [Item("readings", d.name, link) for d in measuring]
    items += [Item("wiring", m.name, link) for m in meters]
    return items


def _of_role(plan: SitePlan, meter: MeterPart) -> list[Item]:
    names = ["sign"] if meter.positive is not None else []
    if meter.role is not None:
        names.append("role")
    if meter.role == "generation" and is_pv(plan, meter):
        names.append("daily-pattern")
    return [Item(name, meter.name, meter.link) for name in names]


def is_pv(plan: SitePlan, meter: MeterPart) -> bool:
    """Whether a meter measures nothing but PV."""
    kinds = {g.kind for g in plan.generators if g.meter == meter.name}
    return meter.feeds == "pv" or kinds == {"pv"}
