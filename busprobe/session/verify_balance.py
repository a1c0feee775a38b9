"""The checks of a verification that need all meters of a line read together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from busprobe.diagnosis.balance import BalanceWatch, balance_findings
from busprobe.diagnosis.coupling import (
    Answer,
    Holds,
    Track,
    daily_pattern,
    export_limit,
    follows,
    house_load,
    role_and_sign,
)
from busprobe.model.check import CheckOutcome
from busprobe.model.finding import Finding, Severity
from busprobe.model.reading import SignConvention
from busprobe.procedures.progress import Progress
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session.energy import BALANCE_CODES
from busprobe.session.events import BalanceSeen, Step
from busprobe.site import verify, verify_meters
from busprobe.site.items import Group, Item
from busprobe.site.plan_parts import DevicePart, MeterPart
from busprobe.site.tracks import Rounds, balance_role, sign_of, track

if TYPE_CHECKING:
    from busprobe.session.line_checks import LineChecks

WATCH_PERIOD_S = 1.0
_SAME_MATTER = ("follows", "house-load")
_OTHER_LINE = "the meters it takes are on different lines, read by different clocks"


@dataclass
class BalanceVerification:
    """Reads all meters of a line for a while, and judges what they show together.

    Attributes:
        line: The verification on this line.
        told: Faults that the energy balance has told.
    """

    line: LineChecks
    told: tuple[Finding, ...] = ()

    async def run(self) -> None:
        """Make the checks that are still to be made."""
        items = self.line.pending(Group.BALANCE)
        if not items:
            return
        rounds, texts = await self._watch()
        if self.line.job.should_stop():
            return
        plan = self.line.whole.plan
        tracks = {
            part.name: found
            for part in self.line.devices
            if self.line.whole.outcome("wiring", part.name) is not CheckOutcome.FAIL
            and (found := track(plan, part, rounds, self.line.signs)) is not None
        }
        for item in sorted(items, key=lambda i: i.name != "balance"):
            if item.name == "sign":
                part = self.line.part(item)
                assert isinstance(part, MeterPart)
                snapshots = rounds.snapshots.get(part.name, [])
                text = texts.get(part.name, self.line.why_no_power(part))
                proved = verify_meters.proved_sign(snapshots, self.line.signs.get(part.name, ""))
                self.line.make(verify_meters.sign_check(item, part, proved, text))
                continue
            if item.name == "balance":
                self._balance(item, tracks, rounds)
                continue
            answer = self._answer(item, tracks)
            said = self._said(item)
            if answer.findings and said:
                # The balance has said it already, and knows more.
                answer = replace(answer, findings=said)
            for finding in answer.findings:
                self.line.job.raise_finding(finding)
            self.line.make(verify_meters.coupling_check(item, answer))

    def _said(self, item: Item) -> tuple[Finding, ...]:
        """What the energy balance told of the same matter."""
        if item.name in _SAME_MATTER:
            return self.told
        meter = self.line.whole.plan.meter(item.subject)
        if item.name != "role" or meter is None:
            return ()
        return tuple(f for f in self.told if f.address == meter.address)

    async def _watch(self) -> tuple[Rounds, dict[str, str]]:
        """Read all devices that tell a power, round by round; what is known of their signs."""
        job, rounds = self.line.job, Rounds()
        texts: dict[str, str] = {}
        names: dict[int, str] = {}
        for part in self.line.devices:
            if part in self.line.whole.plan.others or self.line.why_not(part):
                continue
            device = await self.line.device(part)
            if device is not None and (device.sunspec is not None or device.profile is not None):
                names[part.address] = part.name
        if not names:
            return rounds, texts
        most = 1 + round(self.line.whole.options.watch_s / WATCH_PERIOD_S)
        first = next(iter(names))
        tell = job.progress(Step.ENERGY)
        hour = self.line.whole.options.local_hour

        def keep(readings: DeviceReadings) -> None:
            address = readings.device.address
            if address == first:
                done = len(rounds.snapshots.get(names[first], ()))
                tell(Progress(done, most, most - done, "reading all meters"))
                if hour is not None:
                    rounds.hours.append(hour())
            rounds.add(names[address], readings.snapshot, readings.uniform.steps)
            texts[names[address]] = readings.sign_evidence

        await job.watch(tuple(names), WATCH_PERIOD_S, most, keep)
        return rounds, texts

    def _answer(self, item: Item, tracks: Mapping[str, Track]) -> Answer:
        plan = self.line.whole.plan
        if item.name == "house-load":
            return self._house(tracks)
        grid = plan.grid_meter
        subject = item.subject
        if item.name == "follows":
            generator = next(g for g in plan.generators if g.name == item.subject)
            subject = generator.meter or ""
            if grid is not None and grid.link != self.line.link.name:
                return Answer(Holds.UNDECIDED, _OTHER_LINE)
        meter = plan.meter(subject)
        assert meter is not None
        its = tracks.get(subject)
        if its is None:
            whose = "" if subject == item.subject else f"{subject}: "
            return Answer(Holds.UNDECIDED, whose + self.line.why_no_power(meter))
        if item.name == "role":
            return role_and_sign(its)
        if item.name == "daily-pattern":
            return daily_pattern(its)
        if item.name == "export-limit":
            return export_limit(its, 1000 * (plan.limits.export_kw or 0.0))
        grid_track = None if grid is None else tracks.get(grid.name)
        if grid_track is None:
            why = "the plan has no grid meter" if grid is None else self.line.why_no_power(grid)
            return Answer(Holds.UNDECIDED, f"grid meter: {why}")
        return follows(its, grid_track)

    def _sources(self) -> tuple[DevicePart, ...]:
        plan = self.line.whole.plan
        inverter = () if plan.inverter is None else (plan.inverter,)
        return (*(m for m in plan.meters if m.role == "generation"), *inverter)

    def _hindrance(self, tracks: Mapping[str, Track]) -> str:
        """Why the meters of this line cannot be added up, "" where they can."""
        grid = self.line.whole.plan.grid_meter
        assert grid is not None
        if any(s.link != self.line.link.name for s in self._sources()):
            return _OTHER_LINE
        return "" if grid.name in tracks else f"grid meter: {self.line.why_no_power(grid)}"

    def _unmetered(self, tracks: Mapping[str, Track]) -> list[str]:
        """Sources whose power nobody tells."""
        plan = self.line.whole.plan
        return [
            *(g.name for g in plan.generators if g.meter is None),
            *(s.name for s in self._sources() if s.name not in tracks),
        ]

    def _house(self, tracks: Mapping[str, Track]) -> Answer:
        hindrance = self._hindrance(tracks)
        if hindrance:
            return Answer(Holds.UNDECIDED, hindrance)
        grid = self.line.whole.plan.grid_meter
        assert grid is not None
        measured = [tracks[s.name] for s in self._sources() if s.name in tracks]
        return house_load(tracks[grid.name], measured, self._unmetered(tracks))

    def _sign(self, part: DevicePart, rounds: Rounds) -> SignConvention:
        snapshots = rounds.snapshots.get(part.name, [])
        return sign_of(part, snapshots, self.line.signs.get(part.name, ""))

    def _balance(self, item: Item, tracks: Mapping[str, Track], rounds: Rounds) -> None:
        """All meters together, as far as each tells its power."""
        plan, job = self.line.whole.plan, self.line.job
        hindrance = self._hindrance(tracks)
        unmetered = self._unmetered(tracks)
        if not hindrance and unmetered:
            hindrance = f"nobody tells the power of {', '.join(unmetered)}"
        roles = {
            part.name: role
            for part in self.line.devices
            if part.name in tracks
            and (role := balance_role(plan, part, self._sign(part, rounds))) is not None
        }
        if hindrance:
            self.line.make(verify.not_tested(item, hindrance))
            return
        if len(roles) < 2:
            self.line.make(verify.not_applicable(item, "there is nothing to add up"))
            return
        watch = BalanceWatch(roles)
        for name in roles:
            for snapshot in rounds.snapshots[name]:
                steps = rounds.steps.get(name)
                watch.add(name, snapshot.t_ns / 1e9, snapshot.quantities, steps)
        diagnosis = watch.diagnosis()
        job.emit(BalanceSeen(diagnosis))
        addresses = {p.name: p.address for p in self.line.devices}
        found = balance_findings(diagnosis, addresses)
        for place in (None, *(addresses[name] for name in roles)):
            job.clear_findings(place, BALANCE_CODES)
        for finding in found:
            job.raise_finding(finding)
        self.told = tuple(f for f in found if f.severity is not Severity.NOTE)
        self.line.make(verify_meters.balance_check(item, diagnosis, found))
