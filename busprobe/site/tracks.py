"""From rounds of readings to the tracks that the coupling checks take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.balance import MeterRole, Positive
from busprobe.diagnosis.balance import Role as BalanceRole
from busprobe.diagnosis.coupling import Coupling, Generator, Role, Track
from busprobe.model.reading import SignConvention, Snapshot
from busprobe.site.plan import SitePlan
from busprobe.site.plan_parts import DevicePart, InverterPart, MeterPart
from busprobe.site.verify_meters import proved_sign

_SIGNS = {"import": SignConvention.IMPORT_POSITIVE, "export": SignConvention.EXPORT_POSITIVE}


@dataclass
class Rounds:
    """What the meters of one line showed, round by round.

    Attributes:
        hours: Local hour of each round, empty where the time of day is unknown.
    """

    snapshots: dict[str, list[Snapshot]] = field(default_factory=dict)
    hours: list[float] = field(default_factory=list)
    steps: dict[str, Mapping[str, float]] = field(default_factory=dict)

    def add(self, name: str, snapshot: Snapshot, steps: Mapping[str, float]) -> None:
        """Keep a poll of a device and its register steps; every device is polled once a round."""
        self.snapshots.setdefault(name, []).append(snapshot)
        self.steps[name] = steps

    def good(self) -> tuple[int, ...]:
        """Rounds in which every device told its power."""
        whole = min((len(its) for its in self.snapshots.values()), default=0)
        return tuple(
            n for n in range(whole) if all("P" in its[n].quantities for its in self.measuring())
        )

    def measuring(self) -> list[list[Snapshot]]:
        """Polls of the devices that tell a power at all."""
        return [its for its in self.snapshots.values() if any("P" in s.quantities for s in its)]


def coupling_of(plan: SitePlan) -> Coupling:
    """What the plan says of the AC side."""
    inverter, battery = plan.inverter, plan.battery
    charges = [
        kw
        for kw in (plan.limits.charge_kw, None if battery is None else battery.charge_kw)
        if kw is not None
    ]
    export = plan.limits.export_kw
    rating = None if inverter is None else inverter.rating_kw
    return Coupling(
        tuple(Generator(g.name, g.rating_w, g.curtailable) for g in plan.generators),
        None if rating is None else 1000 * rating,
        1000 * min(charges) if charges else None,
        None if export is None else 1000 * export,
        inverter is not None and inverter.runs_island,
    )


def sign_of(part: DevicePart, snapshots: Sequence[Snapshot], wiring: str = "") -> SignConvention:
    """Which sign is import at a device, as far as that is known.

    What its counters prove goes first, then what a known load proved, then its plan. An inverter
    counts generation positive: SunSpec model 701 says so, for 101 to 113 it is common practice.

    Args:
        part: The device by plan.
        snapshots: Its polls.
        wiring: What a wiring test said, or "".
    """
    proved = proved_sign(snapshots, wiring)
    if proved is not SignConvention.UNKNOWN:
        return proved
    if isinstance(part, MeterPart) and part.positive is not None:
        return _SIGNS[part.positive]
    inverter = isinstance(part, InverterPart)
    return SignConvention.EXPORT_POSITIVE if inverter else SignConvention.UNKNOWN


def track(
    plan: SitePlan, part: DevicePart, rounds: Rounds, wiring: Mapping[str, str]
) -> Track | None:
    """The track of one device, None where it told no power.

    Args:
        plan: The plan.
        part: The device by plan.
        rounds: What was read.
        wiring: What wiring tests said of the sign, by name of the meter.
    """
    its = rounds.snapshots.get(part.name, [])
    good = rounds.good()
    if not its or not any("P" in s.quantities for s in its) or not good:
        return None
    sign = sign_of(part, its, wiring.get(part.name, ""))
    turn = -1.0 if sign is SignConvention.EXPORT_POSITIVE else 1.0
    last = its[good[-1]].quantities
    return Track(
        part.name,
        part.address,
        _role(part),
        tuple(its[n].t_ns / 1e9 for n in good),
        tuple(turn * its[n].quantities["P"] for n in good),
        sign is not SignConvention.UNKNOWN,
        last.get("E_import"),
        last.get("E_export"),
        tuple(rounds.hours[n] for n in good) if rounds.hours else (),
        _rated_w(plan, part),
    )


def _role(part: DevicePart) -> Role:
    if not isinstance(part, MeterPart) or part.feeds == "battery":
        return Role.STORAGE
    if part.role == "grid":
        return Role.GRID
    if part.role == "generation":
        return Role.GENERATION
    loads = part.role == "consumption" or part.feeds == "load"
    return Role.CONSUMPTION if loads else Role.STORAGE


def _rated_w(plan: SitePlan, part: DevicePart) -> float | None:
    if isinstance(part, InverterPart):
        return None if part.rating_kw is None else 1000 * part.rating_kw
    rated = sum(g.rating_w for g in plan.generators if g.meter == part.name)
    return rated or None


def balance_role(plan: SitePlan, part: DevicePart, sign: SignConvention) -> MeterRole | None:
    """What a device is said to measure, for the energy balance; None where it takes no part.

    Consumers behind another consumer's meter are left out: they are counted there already.

    Args:
        plan: The plan.
        part: The device by plan.
        sign: What is known of its sign.
    """
    rated = _rated_w(plan, part)
    if isinstance(part, InverterPart):
        return MeterRole.usual(BalanceRole.HYBRID, rated)
    if not isinstance(part, MeterPart):
        return None
    role = _BALANCE_ROLES[_role(part)]
    if part.feeds == "battery":
        role = BalanceRole.BATTERY
    grid = plan.grid_meter
    outer = None if grid is None else grid.name
    if role is None or (role is BalanceRole.LOAD and part.behind not in (None, outer)):
        return None
    if sign is SignConvention.UNKNOWN:
        return MeterRole(role, Positive.UNKNOWN, rated)
    # A feed-in meter that shows import positive shows what comes into the site positive; at a
    # source or a load that is power drawn.
    imports = sign is SignConvention.IMPORT_POSITIVE
    into = imports == (role is BalanceRole.GRID)
    return MeterRole(role, Positive.INTO_SITE if into else Positive.OUT_OF_SITE, rated)


_BALANCE_ROLES: Mapping[Role, BalanceRole | None] = {
    Role.GRID: BalanceRole.GRID,
    Role.GENERATION: BalanceRole.GENERATOR,
    Role.CONSUMPTION: BalanceRole.LOAD,
    Role.STORAGE: None,
}
