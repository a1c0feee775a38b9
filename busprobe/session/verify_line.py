"""What a plan implies on one of its lines, step by step, on one job."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.catalogue import devices as device_catalogue
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.line_health import healthy, line_findings
from busprobe.diagnosis.wiring import MeterSystem
from busprobe.model.check import CheckOutcome
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.exchange import Outcome
from busprobe.model.finding import Finding
from busprobe.model.line import LineSettings
from busprobe.procedures.asking import Asker
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.session import findings as words
from busprobe.session.events import Step, StepEnd, StepFinished, StepStarted
from busprobe.session.hands import somebody
from busprobe.session.line_checks import SILENT, LineChecks
from busprobe.session.values import FindPlan
from busprobe.session.verification import Verification
from busprobe.session.verify_balance import BalanceVerification
from busprobe.site import verify, verify_meters
from busprobe.site.items import Group, Item
from busprobe.site.plan_parts import DevicePart, LinkPart, MeterPart, line_settings
from busprobe.wire import pdu

_MASTER = "another master talks on this line: unplug it, or insist"
_NO_LOAD = "no load was given: a known load switched on each phase proves it (--load W)"
_NO_HANDS = "nobody is there to switch the load"
_GENERATION = (
    "a load cannot be switched behind a generator's meter alone: start and stop the generator, or "
    "test it with 'busprobe wiring' on a socket behind it"
)
_READING_CODES = tuple(device_catalogue.ENTRIES)


@dataclass
class LineVerification(LineChecks):
    """A verification on one line."""

    _searched: bool = False

    @property
    def _settings(self) -> dict[int, str | None]:
        return self.whole.settings.setdefault(self.link.name, {})

    def _give_up(self, why: str) -> None:
        for item in self.whole.pending(*Group, link=self.link.name):
            self.make(verify.not_tested(item, why))

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
        ):
            await step()
        await BalanceVerification(self).run()
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
        items = self.pending(Group.FIND)
        if not items:
            return
        options, planned = self.whole.options, self.link.line_settings
        addresses = tuple(d.address for d in self.devices)
        search = FindPlan(
            addresses=addresses if options.quick else (),
            settings=planned if options.quick else None,
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
            self._give_up(_MASTER)
            return
        if self.job.should_stop():
            return
        self._searched = True
        await self._be_patient()
        if self.job.should_stop():
            return
        self._settings.clear()
        for address in self.job.devices:
            at = self.job.settings_of.get(address)
            self._settings[address] = None if at is None else str(at)
        for item in items:
            self._found(item, len(found.addresses))

    async def _be_patient(self) -> None:
        """Ask who is planned but was not found again, and listen long: a search cannot."""
        job = self.job
        for part in self.devices:
            if part.address in job.devices or job.should_stop():
                continue
            asker = Asker(job.bus, part.address)
            await asker.ask(pdu.read_registers(3, 0, 2))
            whole = any(e.proves_device for e in asker.exchanges)
            # Pieces count once they come every time: two devices on one address answer so.
            pieces = all(e.outcome is Outcome.DAMAGED for e in asker.exchanges)
            if whole or pieces:
                job.settings_of[part.address] = job.bus.settings
                if await self.device(part) is None:
                    job.know(Device(part.address, turnaround=asker.turnaround()))

    def _master(self) -> Finding | None:
        return self.job.findings.get(("foreign-master", None))

    def _other_master(self, item: Item) -> None:
        heard = self._master()
        outcome = CheckOutcome.PASS if heard is None else CheckOutcome.FAIL
        self.make(
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

    def _found(self, item: Item, searched: int) -> None:
        devices = self.job.devices
        settings = self.job.settings_of
        planned = {d.address: d for d in self.devices}
        strangers = [device for a, device in devices.items() if a not in planned]
        wanted = self.link.line_settings
        if item.name == "other-master":
            self._other_master(item)
        elif item.name == "line-settings":
            answered = {
                d.name: settings.get(d.address) for d in self.devices if d.address in devices
            }
            self.make(verify.settings_check(item, wanted, answered))
        elif item.name == "unplanned-devices":
            whole = not self.whole.options.quick
            self.make(verify.unplanned_check(item, strangers, searched, whole))
        else:
            part = self.part(item)
            self.make(
                verify.answers_check(
                    item,
                    part,
                    wanted,
                    devices.get(part.address),
                    settings.get(part.address),
                    verify.elsewhere(part, devices, strangers),
                )
            )

    # Addresses -------------------------------------------------------------------------------

    async def _alone(self) -> None:
        for item in self.pending(Group.DUPLICATES):
            part = self.part(item)
            if part.address not in self.job.settings_of:
                self.make(verify.not_tested(item, SILENT, "one device"))
                continue
            if not self.job.bus.is_serial:
                self.make(verify.not_tested(item, words.NOT_SERIAL, "one device"))
                continue
            await self.device(part)
            verdicts = await self.job.check_addresses((part.address,))
            if self.job.should_stop() or part.address not in verdicts:
                return
            verdict = verdicts[part.address]
            told = [
                f
                for code in words.DUPLICATE_CODES
                if (f := self.job.findings.get((code, part.address))) is not None
            ]
            self.make(verify.alone_check(item, verdict, told))
            self._point_to(part, verdict)

    def _point_to(self, part: DevicePart, verdict: DuplicateVerdict) -> None:
        """A device that was missed at its own address may be the second one at this address."""
        shared = self.job.devices.get(part.address)
        for other in self.devices:
            made = self.whole.done.get(("answers", other.name))
            if other is part or made is None or made.outcome is not CheckOutcome.FAIL:
                continue
            if verdict.verdict == "duplicate" and other.address not in self.job.settings_of:
                self.make(verify.maybe_at(made, other, part.address, verdict.serials, shared))

    # Identity --------------------------------------------------------------------------------

    async def _identity(self) -> None:
        for item in self.pending(Group.IDENTITY):
            part = self.part(item)
            why = self.why_not(part)
            device = None if why else await self.device(part)
            if self.job.should_stop():
                return
            if device is None:
                self.make(verify.not_tested(item, why or SILENT))
            elif item.name == "identity":
                profiles = {p.name: p for p in self.job.profiles()}
                profile = profiles.get(part.profile)
                self.make(verify.identity_check(item, part, device, profile))
            elif item.name == "serial":
                self.make(verify.serial_check(item, part, device))
            else:
                assert isinstance(part, MeterPart)
                self.make(verify.phases_check(item, part, device))

    # Line ------------------------------------------------------------------------------------

    async def _line(self) -> None:
        for item in self.pending(Group.LINE):
            known = [
                device
                for part in self.devices
                if not self.why_not(part) and (device := await self.device(part)) is not None
            ]
            if self.job.should_stop():
                return
            if item.name == "poll-cycle":
                devices = {d.address: d for d in known}
                self.make(verify.poll_check(item, self.link, self.devices, devices))
            else:
                await self._health(item, known)

    async def _health(self, item: Item, known: Sequence[Device]) -> None:
        job, home = self.job, self._home()
        asked = [d for d in known if job.settings_of.get(d.address) == home]
        if home is None or not asked:
            why = "no device answers alone at its address, at the settings of the line"
            self.make(verify.not_tested(item, why))
            return
        if job.bus.settings != home:
            await job.bus.configure(home)
        missing = self._missing()
        try:
            report = await job.check_line(
                sorted({d.address for d in asked} | missing),
                insist=self.whole.options.insist,
                # The search has listened already, if it was made in this run.
                listen_first_s=0.0 if self._searched else LISTEN_FIRST_NS / 1e9,
            )
        except InputError as error:
            self.make(verify.not_tested(item, error.cause))
            return
        if job.should_stop():
            return
        # Who is planned and silent fails a check of its own, and has findings of its own.
        weighed = report.weighed
        if missing:
            counts = [t for address, t in report.tallies.items() if address not in missing]
            weighed = replace(
                weighed,
                causes=tuple(c for c in weighed.causes if c.address not in missing),
                bad=sum(t.failed for t in counts),
                total=sum(t.exchanges for t in counts),
            )
        told = line_findings(weighed)
        tallied = f"{weighed.bad} of {weighed.total} exchanges were not clean"
        self.make(verify.health_check(item, told, tallied, healthy(weighed)))

    def _missing(self) -> set[int]:
        """Planned addresses at which nobody answers, and whose device is not known elsewhere."""
        devices = self.job.devices
        planned = {d.address for d in self.devices}
        strangers = [device for address, device in devices.items() if address not in planned]
        return {
            part.address
            for part in self.devices
            if part.address not in devices and not verify.elsewhere(part, devices, strangers)
        }

    def _home(self) -> LineSettings | None:
        """The settings of the line: those planned, or else those of most devices."""
        its = [s for s in self.job.settings_of.values() if s is not None]
        planned = self.link.line_settings
        if planned in its or not its:
            return planned
        return max(its, key=its.count)

    # Readings --------------------------------------------------------------------------------

    async def _readings(self) -> None:
        for item in self.pending(Group.READINGS):
            part = self.part(item)
            why = self.why_not(part)
            if why or await self.device(part) is None:
                self.make(verify.not_tested(item, why or SILENT))
                continue
            self.job.clear_findings(part.address, _READING_CODES)
            nominal_v = self.whole.plan.site.nominal_v
            got = await self.job.read(part.address, nominal_v=nominal_v)
            if self.job.should_stop():
                return
            told = [
                f
                for (code, address), f in self.job.findings.items()
                if address == part.address and code in _READING_CODES
            ]
            failures = [block.failure for block in got.blocks if block.failure]
            quantities = got.snapshot.quantities
            self.make(verify_meters.readings_check(item, part, quantities, told, failures))

    # Wiring ----------------------------------------------------------------------------------

    async def _wiring(self) -> None:
        for item in self.pending(Group.WIRING):
            part = self.part(item)
            assert isinstance(part, MeterPart)
            load = self.whole.options.load
            why = self.why_not(part)
            if not why and part.role == "generation":
                why = _GENERATION
            if not why and load is None:
                why = _NO_LOAD
            if not why and not somebody(self.job, Step.WIRING, (part.address,), self.operator):
                why = _NO_HANDS
            if why:
                self.make(verify.not_tested(item, why, verify_meters.WIRED))
                continue
            place = f"{part.name}: the load belongs on a socket behind this meter."
            self.job.emit(StepStarted(Step.WIRING, place))
            try:
                diagnosis = await self.job.check_wiring(
                    part.address,
                    load,
                    self.operator,
                    WiringPlan(load),
                    MeterSystem(part.system),
                )
            except InputError as error:
                self.make(verify.not_tested(item, error.cause, verify_meters.WIRED))
                continue
            if self.job.should_stop():
                return
            self.signs[part.name] = diagnosis.sign
            told = [
                f
                for (code, address), f in self.job.findings.items()
                if address == part.address and code in words.WIRING_CODES
            ]
            self.make(verify_meters.wiring_check(item, diagnosis, told))


def intent(link: LinkPart, waiting: int) -> str:
    """What a verification will do on a line."""
    return f"{waiting} checks on {link.name} ({link.link}): read requests only. Nothing is written."


def summary(whole: Verification, link: LinkPart) -> str:
    """How a verification on a line ended."""
    here = [whole.done[i.key] for i in whole.items if i.link == link.name and i.key in whole.done]
    counts = [
        f"{sum(c.outcome is outcome for c in here)} {outcome.value}" for outcome in CheckOutcome
    ]
    return f"On {link.name}: {', '.join(counts)}."
