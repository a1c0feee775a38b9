"""The checks of a verification that need all meters of a line read together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

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
from busprobe.procedures.progress import Progress
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session.events import Step
from busprobe.site import verify_meters
from busprobe.site.items import Group, Item
from busprobe.site.plan import DevicePart, MeterPart
from busprobe.site.tracks import Rounds, track

if TYPE_CHECKING:
    from busprobe.session.verify_line import LineVerification

WATCH_PERIOD_S = 1.0
_OTHER_LINE = "the meters it takes are on different lines, read by different clocks"


@dataclass
class BalanceVerification:
    """Reads all meters of a line for a while, and judges what they show together.

    Attributes:
        line: The verification on this line.
    """

    line: LineVerification

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
        for item in items:
            if item.name == "sign":
                part = self.line.part(item)
                assert isinstance(part, MeterPart)
                snapshots = rounds.snapshots.get(part.name, [])
                text = texts.get(part.name, self.line.why_no_power(part))
                proved = verify_meters.proved_sign(snapshots, self.line.signs.get(part.name, ""))
                self.line.make(verify_meters.sign_check(item, part, proved, text))
                continue
            answer = self._answer(item, tracks)
            for finding in answer.findings:
                self.line.job.raise_finding(finding)
            self.line.make(verify_meters.coupling_check(item, answer))

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
            rounds.add(names[address], readings.snapshot)
            texts[names[address]] = readings.sign_evidence

        await job.watch(tuple(names), WATCH_PERIOD_S, most, keep)
        return rounds, texts

    def _answer(self, item: Item, tracks: Mapping[str, Track]) -> Answer:
        plan = self.line.whole.plan
        if item.name == "house-load":
            return self._house(tracks)
        if item.name == "balance":
            return Answer(Holds.UNDECIDED, "busprobe has no test of the whole balance yet")
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

    def _house(self, tracks: Mapping[str, Track]) -> Answer:
        plan = self.line.whole.plan
        grid = plan.grid_meter
        assert grid is not None
        inverter = () if plan.inverter is None else (plan.inverter,)
        sources: list[DevicePart] = [
            *(m for m in plan.meters if m.role == "generation"),
            *inverter,
        ]
        if any(s.link != self.line.link.name for s in sources):
            return Answer(Holds.UNDECIDED, _OTHER_LINE)
        if grid.name not in tracks:
            return Answer(Holds.UNDECIDED, f"grid meter: {self.line.why_no_power(grid)}")
        unmetered = [g.name for g in plan.generators if g.meter is None]
        unmetered += [s.name for s in sources if s.name not in tracks]
        measured = [tracks[s.name] for s in sources if s.name in tracks]
        return house_load(tracks[grid.name], measured, unmetered)
