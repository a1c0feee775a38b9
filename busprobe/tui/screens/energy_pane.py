"""The energy step: the role of each meter, the flow of power, and whether the meters add up."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TYPE_CHECKING

from rich.cells import cell_len, set_cell_size
from rich.style import Style
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical
from textual.widgets import Select, Static

from busprobe.model.device import Device
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.widgets.balance_table import BalanceTable
from busprobe.tui.widgets.flow_picture import FlowPicture
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.panel import CanvasPanel, Looks, section
from busprobe.tui.widgets.prompt_card import PromptCard
from busprobe.tui.widgets.step_card import StepCard
from busprobe.tui.widgets.views import Views

if TYPE_CHECKING:
    from busprobe.diagnosis.balance import MeterRole

DURATION_S = (("1 min", 60), ("3 min", 180), ("6 min", 360), ("15 min", 900), ("1 h", 3_600))
HELP_OF_SOURCES = (("leave the sources alone", 0), ("have each source held back", 1))
NO_PART = ""
# By what busprobe calls a role; then what the technician reads.
ROLES = {
    "grid": "feed-in meter",
    "generator": "generator's meter",
    "hybrid": "hybrid inverter",
    "battery": "battery",
    "load": "consumer's meter",
    NO_PART: "takes no part",
}
# SunSpec model ids: inverters, AC meters, batteries (SunSpec model catalogue).
_INVERTERS, _BATTERIES = range(101, 114), range(802, 804)


class View(StrEnum):
    """What is shown of the balance where not everything fits."""

    ROLES = "roles"
    FLOW = "flow"
    METERS = "meters"


def proposed(devices: list[Device]) -> dict[int, str]:
    """A first guess at each role, for the technician to put right.

    The lowest address is the grid meter's as a rule. Common practice, no source.
    """
    roles: dict[int, str] = {}
    for device in devices:
        ids = () if device.sunspec is None else tuple(m.model_id for m in device.sunspec.models)
        if any(i in _BATTERIES for i in ids):
            roles[device.address] = "battery"
        elif any(i in _INVERTERS for i in ids):
            roles[device.address] = "hybrid"
        elif not device.phases or device.duplicate == "duplicate":
            roles[device.address] = NO_PART
        else:
            roles[device.address] = "load" if "grid" in roles.values() else "grid"
    return roles


def known_role(role: str, rated_w: float | None = None, generation: str = "") -> MeterRole:
    """What is known of a meter with this role before the first reading.

    The sign of a meter on a bus is told by its counters, or stays open: published maps state none.
    """
    from busprobe.diagnosis.balance import MeterRole, Positive, Role

    named = Role(role)
    if named is Role.GENERATOR:
        means = {"gives": Positive.INTO_SITE, "draws": Positive.OUT_OF_SITE}
        return MeterRole(named, means.get(generation, Positive.UNKNOWN), rated_w)
    if named in (Role.GRID, Role.LOAD):
        return MeterRole(named, rated_w=rated_w)
    return MeterRole.usual(named, rated_w)


class RoleList(LineList):
    """A row for each device: what it is said to measure, and its power."""

    DEFAULT_CSS = """
    RoleList { height: auto; max-height: 8; min-height: 1; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.chosen: dict[int, str] = {}

    def role(self, address: int) -> str:
        """The role chosen, else the one that is proposed."""
        if address in self.chosen:
            return self.chosen[address]
        devices = [self.state.devices[a] for a in self.state.addresses]
        return proposed(devices).get(address, NO_PART)

    def next_role(self, address: int) -> None:
        """Change to the next role."""
        names = tuple(ROLES)
        here = names.index(self.role(address))
        self.chosen[address] = names[(here + 1) % len(names)]

    def entry_count(self) -> int:
        """How many devices there are."""
        return len(self.state.addresses)

    def empty_text(self) -> str:
        """Nobody to read."""
        return "No device is known yet."

    def entry_lines(self, index: int, width: int) -> list[Text]:
        """Address, name, role, power."""
        c, g = self.colours, self.glyphs
        device = self.state.devices[self.state.addresses[index]]
        role = self.role(device.address)
        room = max(12, min(23, width - 48))
        mine = device.address in self.chosen
        latest = self.state.latest(device.address)
        power = None if latest is None else latest.quantities.get("P")
        line = Text.assemble(
            (f"{device.address:>4}  ", Style(color=c.accent, bold=True)),
            (f"{self._short_name(device, room - 1)} ", Style(color=c.ink)),
            (
                f"{g.right if role else g.absent} {ROLES[role]:<18}",
                Style(color=c.ink if role else c.dim, bold=bool(role)),
            ),
        )
        if device.duplicate == "duplicate":
            line.append(f"{g.fail} two devices here", Style(color=c.fail))
            return [line]
        if power is not None:
            line.append(f"{words.number(power, 0, g)} W  ", Style(color=c.ink))
        if not mine:
            line.append("proposed", Style(color=c.dim))
        return [line]

    def _short_name(self, device: Device, width: int) -> str:
        """Maker and model in a column, or the model alone where both are too long."""
        name = words.safe(str(device.identity))
        if cell_len(name) > width and device.identity.model:
            name = words.safe(device.identity.model)
        return set_cell_size(words.cut(name, width, self.glyphs), width)


class EnergyPane(Views, Looks, Vertical):
    """Form, card, request, roles, flow, verdict."""

    DEFAULT_CSS = """
    EnergyPane { height: 1fr; padding: 0 1; }
    EnergyPane #energy-form { height: 1; }
    EnergyPane .name { width: auto; color: $bp-dim; margin-right: 1; }
    EnergyPane #duration-s { width: 14; margin-right: 2; }
    EnergyPane #curtail { width: 32; }
    EnergyPane RoleList, EnergyPane FlowPicture, EnergyPane BalanceTable { display: none; }
    EnergyPane.-roles RoleList { display: block; }
    EnergyPane.-flow FlowPicture { display: block; }
    EnergyPane.-meters BalanceTable { display: block; }
    """

    views = tuple(View)

    def __init__(self) -> None:
        super().__init__(id="pane-energy")

    def compose(self) -> ComposeResult:
        """Form, card, request, pictures."""
        with Horizontal(id="energy-form", classes="form"):
            yield Static("At most", classes="name", markup=False)
            yield Select(DURATION_S, value=360, allow_blank=False, id="duration-s", compact=True)
            yield Select(HELP_OF_SOURCES, value=0, allow_blank=False, id="curtail", compact=True)
        yield StepCard(Step.ENERGY)
        yield PromptCard()
        yield section(RoleList(id="role-list"), "What each meter is said to measure")
        yield section(FlowPicture(), "Flow of power")
        yield section(BalanceTable(), "Does it add up?")

    @property
    def duration_s(self) -> float:
        """How long to read at most [s]."""
        return float(str(self.query_one("#duration-s", Select).value))

    @property
    def curtail(self) -> bool:
        """Whether sources are held back."""
        return bool(self.query_one("#curtail", Select).value)

    def next_role(self, address: int) -> None:
        """Change what a meter is said to measure."""
        self.query_one(RoleList).next_role(address)
        self.show_view(View.ROLES)

    def meters(
        self, ratings: Mapping[int, float] | None = None, generation: str = ""
    ) -> dict[int, tuple[str, MeterRole]]:
        """Who takes part: name and role by address, the feed-in meter first.

        Args:
            ratings: Rated power of what a meter measures, by address [W].
            generation: What a positive power of a generator's meter means: "gives", "draws" or "".
        """
        roles = {a: self.query_one(RoleList).role(a) for a in self.state.addresses}
        listed = list(roles.values())
        found = {}
        for address, role in sorted(roles.items(), key=lambda item: item[1] != "grid"):
            if role:
                name = role if listed.count(role) == 1 else f"{role} {address}"
                rated_w = (ratings or {}).get(address)
                found[address] = (name, known_role(role, rated_w, generation))
        return found

    def obstacle(self) -> str:
        """Why the balance cannot be made with these roles, or ""."""
        roles = [self.query_one(RoleList).role(a) for a in self.state.addresses]
        if roles.count("grid") != 1:
            return "Exactly one meter must be the feed-in meter: m changes roles."
        if not any(role and role != "grid" for role in roles):
            return "One more meter must take part: m changes roles."
        return ""

    def refresh_state(self) -> None:
        """Show what is known of the balance."""
        self.query_one(StepCard).display = self.state.prompt is None
        self.query_one(PromptCard).refresh_state()
        listed = self.query_one(RoleList)
        listed.styles.height = max(1, min(8, listed.entry_count())) + listed.gutter.height
        if self.state.selected in self.state.devices:
            listed.set_reactive(LineList.cursor, self.state.addresses.index(self.state.selected))
        listed.refresh_state()
        picture = self.query_one(FlowPicture)
        picture.roles = {a: listed.role(a) for a in self.state.addresses}
        for panel in self.query(CanvasPanel):
            panel.refresh_state()
