"""What a plan implies on one of its lines, step by step, on one job."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from busprobe.diagnosis.catalogue import devices as device_catalogue
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
from busprobe.diagnosis.wiring import MeterSystem
from busprobe.model.check import CheckOutcome
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.finding import Finding
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.operator import Operator
from busprobe.procedures.progress import Progress
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session import findings as words
from busprobe.session.events import Step, StepEnd, StepFinished, StepStarted
from busprobe.session.job import Job
from busprobe.session.search import FindPlan, FindResult
from busprobe.session.verification import Verification
from busprobe.site import verify, verify_meters
from busprobe.site.items import Group, Item
from busprobe.site.plan import DevicePart, LinkPart, MeterPart, line_settings
from busprobe.site.tracks import Rounds, track

WATCH_PERIOD_S = 1.0
_SILENT = "it does not answer"
_SHARED = "more than one device answers at its address: what is read may come from either"
_MASTER = "another master talks on this line: unplug it, or insist"
_NO_POWER = "it told no power while the meters were read"
_OTHER_LINE = "the meters it takes are on different lines, read by different clocks"
_NO_LOAD = "no load was given: a known load switched on each phase proves it (--load W)"
_NO_HANDS = "nobody is there to switch the load"
_GENERATION = (
    "a load cannot be switched behind a generator's meter alone: start and stop the generator, or "
    "test it with 'busprobe wiring' on a socket behind it"
)
_READING_CODES = tuple(device_catalogue.ENTRIES)


@dataclass
class LineVerification:
    """A verification on one line.

    Attributes:
        whole: The verification that it is part of.
        job: A job on the open link.
        link: The line by plan.
        operator: Switches the load; None where nobody does.
    """

    whole: Verification
    job: Job
    link: LinkPart
    operator: Operator | None = None
    _signs: dict[str, str] = field(default_factory=dict)

    @property
    def _devices(self) -> tuple[DevicePart, ...]:
        return self.whole.plan.devices_on(self.link.name)

    def _pending(self, group: Group) -> tuple[Item, ...]:
        if self.job.should_stop():
            return ()
        return self.whole.pending(group, link=self.link.name)

    def _part(self, item: Item) -> DevicePart:
        return next(d for d in self._devices if d.name == item.subject)

    @property
    def _settings(self) -> dict[int, str | None]:
        return self.whole.settings.setdefault(self.link.name, {})

    async def run(self) -> None:
        """Make every check that is still to be made, until done or stopped.

        Raises:
            LinkError: The link was lost; what was checked before is kept.
        """
        job = self.job
        waiting = self.whole.pending(*Group, link=self.link.name)
        job.emit(StepStarted(Step.HANDOVER, intent(self.link, len(waiting))))
        await self._take_up()
        for step in (
            self._find,
            self._alone,
            self._identity,
            self._line,
            self._readings,
            self._wiring,
            self._balance,
        ):
            await step()
        stopped = job.should_stop()
        end = StepEnd.STOPPED if stopped else StepEnd.DONE
        job.emit(StepFinished(Step.HANDOVER, end, summary(self.whole, self.link)))

    async def _take_up(self) -> None:
        """Where an earlier run left the line."""
        for address, settings in self._settings.items():
            known = None if settings is None else line_settings(settings)
            self.job.settings_of.setdefault(address, known)
        planned = self.link.line_settings
        if self.job.bus.is_serial and planned is not None and self.job.bus.settings != planned:
            await self.job.bus.configure(planned)

    # Find ------------------------------------------------------------------------------------

    async def _find(self) -> None:
        items = self._pending(Group.FIND)
        if not items:
            return
        options, planned = self.whole.options, self.link.line_settings
        addresses = tuple(d.address for d in self._devices)
        search = FindPlan(
            addresses=addresses if options.quick else (),
            settings=planned if options.quick else None,
            second_round=not options.quick,
            insist=options.insist,
            duplicates=False,
        )
        try:
            found = await self.job.find(search)
        except InputError:
            if self._master() is None:
                raise
            for item in items:
                if item.name == "other-master":
                    self._other_master(item)
            self.whole.give_up(self.link, _MASTER)
            return
        if self.job.should_stop():
            return
        self._settings.clear()
        for device in found.devices:
            at = device.settings
            self._settings[device.device.address] = None if at is None else str(at)
        for item in items:
            self._found(item, found)

    def _master(self) -> Finding | None:
        return self.job.findings.get(("foreign-master", None))

    def _other_master(self, item: Item) -> None:
        heard = self._master()
        outcome = CheckOutcome.PASS if heard is None else CheckOutcome.FAIL
        self.whole.make(
            verify.check(
                item,
                outcome,
                planned="nobody",
                found="nobody was heard" if heard is None else heard.summary,
                uncertainty="a master that polls more seldom than the line was listened to is not "
                "heard",
                evidence=() if heard is None else heard.evidence,
                findings=() if heard is None else (heard,),
            )
        )

    def _found(self, item: Item, found: FindResult) -> None:
        devices = {d.device.address: d.device for d in found.devices}
        settings = {d.device.address: d.settings for d in found.devices}
        planned = {d.address: d for d in self._devices}
        strangers = [device for a, device in devices.items() if a not in planned]
        wanted = self.link.line_settings
        if item.name == "other-master":
            self._other_master(item)
        elif item.name == "line-settings":
            answered = {d.name: settings[d.address] for d in self._devices if d.address in devices}
            self.whole.make(verify.settings_check(item, wanted, answered))
        elif item.name == "unplanned-devices":
            whole = not self.whole.options.quick
            self.whole.make(verify.unplanned_check(item, strangers, len(found.addresses), whole))
        else:
            part = self._part(item)
            self.whole.make(
                verify.answers_check(
                    item,
                    part,
                    wanted,
                    devices.get(part.address),
                    settings.get(part.address),
                    verify.elsewhere(part, devices, strangers),
                )
            )

    def _why_not(self, part: DevicePart) -> str:
        """Why nothing can be read from a device, "" where it can."""
        if part.address not in self.job.settings_of:
            return _SILENT
        if self.whole.outcome("alone", part.name) is CheckOutcome.FAIL:
            return _SHARED
        return ""

    async def _device(self, part: DevicePart) -> Device | None:
        try:
            return await self.job.known(part.address)
        except InputError:
            return None

    # Addresses -------------------------------------------------------------------------------

    async def _alone(self) -> None:
        for item in self._pending(Group.DUPLICATES):
            part = self._part(item)
            if part.address not in self.job.settings_of:
                self.whole.make(verify.not_tested(item, _SILENT, "one device"))
                continue
            if not self.job.bus.is_serial:
                self.whole.make(verify.not_tested(item, words.NOT_SERIAL, "one device"))
                continue
            await self._device(part)
            verdicts = await self.job.check_addresses((part.address,))
            if self.job.should_stop() or part.address not in verdicts:
                return
            verdict = verdicts[part.address]
            told = [
                f
                for code in words.DUPLICATE_CODES
                if (f := self.job.findings.get((code, part.address))) is not None
            ]
            self.whole.make(verify.alone_check(item, verdict, told))
            self._point_to(part, verdict.serials)

    def _point_to(self, part: DevicePart, serials: Sequence[str]) -> None:
        """A device that was missed at its own address turned up at this one."""
        for other in self._devices:
            made = self.whole.done.get(("answers", other.name))
            if other is part or made is None or made.outcome is not CheckOutcome.FAIL:
                continue
            if other.serial and other.serial in serials:
                self.whole.make(verify.seen_at(made, other.serial, part.address))

    # Identity --------------------------------------------------------------------------------

    async def _identity(self) -> None:
        for item in self._pending(Group.IDENTITY):
            part = self._part(item)
            why = self._why_not(part)
            device = None if why else await self._device(part)
            if self.job.should_stop():
                return
            if device is None:
                self.whole.make(verify.not_tested(item, why or _SILENT))
            elif item.name == "identity":
                profiles = {p.name: p for p in self.job.profiles()}
                profile = profiles.get(part.profile)
                self.whole.make(verify.identity_check(item, part, device, profile))
            elif item.name == "serial":
                self.whole.make(verify.serial_check(item, part, device))
            else:
                assert isinstance(part, MeterPart)
                self.whole.make(verify.phases_check(item, part, device))

    # Line ------------------------------------------------------------------------------------

    async def _line(self) -> None:
        for item in self._pending(Group.LINE):
            if item.name == "poll-cycle":
                for part in self._devices:
                    if not self._why_not(part):
                        await self._device(part)
                self.whole.make(verify.poll_check(item, self.link, self._devices, self.job.devices))
            else:
                self.whole.make(verify.not_tested(item, "busprobe has no test of the line yet"))

    # Readings --------------------------------------------------------------------------------

    async def _readings(self) -> None:
        for item in self._pending(Group.READINGS):
            part = self._part(item)
            why = self._why_not(part)
            if why or await self._device(part) is None:
                self.whole.make(verify.not_tested(item, why or _SILENT))
                continue
            self.job.clear_findings(part.address, _READING_CODES)
            got = await self.job.read(part.address)
            if self.job.should_stop():
                return
            told = [
                f
                for (code, address), f in self.job.findings.items()
                if address == part.address and code in _READING_CODES
            ]
            failures = [block.failure for block in got.blocks if block.failure]
            quantities = got.snapshot.quantities
            self.whole.make(verify_meters.readings_check(item, part, quantities, told, failures))

    # Wiring ----------------------------------------------------------------------------------

    async def _wiring(self) -> None:
        for item in self._pending(Group.WIRING):
            part = self._part(item)
            assert isinstance(part, MeterPart)
            load = self.whole.options.load
            why = self._why_not(part)
            if not why and part.role == "generation":
                why = _GENERATION
            if not why and load is None:
                why = _NO_LOAD
            if not why and self.operator is None:
                why = _NO_HANDS
            if why:
                self.whole.make(verify.not_tested(item, why, verify_meters.WIRED))
                continue
            try:
                diagnosis = await self.job.check_wiring(
                    part.address,
                    load,
                    self.operator,
                    WiringPlan(load),
                    MeterSystem(part.system),
                )
            except InputError as error:
                self.whole.make(verify.not_tested(item, error.cause, verify_meters.WIRED))
                continue
            if self.job.should_stop():
                return
            self._signs[part.name] = diagnosis.sign
            told = [
                f
                for (code, address), f in self.job.findings.items()
                if address == part.address and code in words.WIRING_CODES
            ]
            self.whole.make(verify_meters.wiring_check(item, diagnosis, told))

    # Balance ---------------------------------------------------------------------------------

    async def _balance(self) -> None:
        items = self._pending(Group.BALANCE)
        if not items:
            return
        rounds, texts = await self._watch()
        if self.job.should_stop():
            return
        plan = self.whole.plan
        tracks = {
            part.name: found
            for part in self._devices
            if (found := track(plan, part, rounds, self._signs)) is not None
        }
        for item in items:
            if item.name == "sign":
                part = self._part(item)
                assert isinstance(part, MeterPart)
                snapshots = rounds.snapshots.get(part.name, [])
                text = texts.get(part.name, self._why_not(part) or _NO_POWER)
                proved = verify_meters.proved_sign(snapshots, self._signs.get(part.name, ""))
                self.whole.make(verify_meters.sign_check(item, part, proved, text))
                continue
            answer = self._answer(item, tracks)
            for finding in answer.findings:
                self.job.raise_finding(finding)
            self.whole.make(verify_meters.coupling_check(item, answer))

    async def _watch(self) -> tuple[Rounds, dict[str, str]]:
        """Read all devices that tell a power, round by round; what is known of their signs."""
        job, rounds = self.job, Rounds()
        texts: dict[str, str] = {}
        names: dict[int, str] = {}
        for part in self._devices:
            if part in self.whole.plan.others or self._why_not(part):
                continue
            device = await self._device(part)
            if device is not None and (device.sunspec is not None or device.profile is not None):
                names[part.address] = part.name
        if not names:
            return rounds, texts
        most = max(1, round(self.whole.options.watch_s / WATCH_PERIOD_S))
        first = next(iter(names))
        tell = job.progress(Step.ENERGY)
        hour = self.whole.options.local_hour

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
        plan = self.whole.plan
        if item.name == "house-load":
            return self._house(tracks)
        if item.name == "balance":
            return Answer(Holds.UNDECIDED, "busprobe has no test of the whole balance yet")
        grid = plan.grid_meter
        subject = item.subject
        if item.name == "follows":
            generator = next(g for g in plan.generators if g.name == item.subject)
            subject = generator.meter or ""
            if grid is not None and grid.link != self.link.name:
                return Answer(Holds.UNDECIDED, _OTHER_LINE)
        meter = plan.meter(subject)
        assert meter is not None
        its = tracks.get(subject)
        if its is None:
            return Answer(Holds.UNDECIDED, f"{subject}: {self._why_not(meter) or _NO_POWER}")
        if item.name == "role":
            return role_and_sign(its)
        if item.name == "daily-pattern":
            return daily_pattern(its)
        if item.name == "export-limit":
            return export_limit(its, 1000 * (plan.limits.export_kw or 0.0))
        grid_track = None if grid is None else tracks.get(grid.name)
        if grid_track is None:
            why = "the plan has no grid meter" if grid is None else self._why_not(grid) or _NO_POWER
            return Answer(Holds.UNDECIDED, f"grid meter: {why}")
        return follows(its, grid_track)

    def _house(self, tracks: Mapping[str, Track]) -> Answer:
        plan = self.whole.plan
        grid = plan.grid_meter
        assert grid is not None
        inverter = () if plan.inverter is None else (plan.inverter,)
        sources: list[DevicePart] = [
            *(m for m in plan.meters if m.role == "generation"),
            *inverter,
        ]
        if any(s.link != self.link.name for s in sources):
            return Answer(Holds.UNDECIDED, _OTHER_LINE)
        if grid.name not in tracks:
            return Answer(Holds.UNDECIDED, f"grid meter: {self._why_not(grid) or _NO_POWER}")
        unmetered = [g.name for g in plan.generators if g.meter is None]
        unmetered += [s.name for s in sources if s.name not in tracks]
        measured = [tracks[s.name] for s in sources if s.name in tracks]
        return house_load(tracks[grid.name], measured, unmetered)


def intent(link: LinkPart, waiting: int) -> str:
    """What a verification will do on a line."""
    return f"{waiting} checks on {link.name} ({link.link}): read requests only. Nothing is written."


def summary(whole: Verification, link: LinkPart) -> str:
    """How a verification on a line ended."""
    here = [whole.done[i.key] for i in whole.items if i.link == link.name and i.key in whole.done]
    counts = [
        f"{sum(c.outcome is outcome for c in here)} {outcome.value}" for outcome in CheckOutcome
    ]
    return f"{link.name}: {', '.join(counts)}."
