"""The job on one bus: what both faces command, and the events they get.

`Job` is asynchronous and knows no thread; the command line runs it to its end, the terminal
interface runs it on a thread of its own (`busprobe.session.session_thread`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from busprobe.bus.bus import Bus
from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.duplicate import DuplicateVerdict, duplicate_finding
from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
)
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Finding, Severity
from busprobe.model.line import Endpoint, LineSettings
from busprobe.procedures.change_plan import ChangePlan, ChangeResult
from busprobe.procedures.check_duplicate import background_of, check_duplicate
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.listen import Listening
from busprobe.procedures.operator import Operator
from busprobe.procedures.progress import Progress
from busprobe.procedures.read_meters import DeviceReadings, MeterReader
from busprobe.profiles.load import load_profiles
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.sunspec import WalkAnomaly
from busprobe.recording.store import Recorder
from busprobe.resources import profile_folder
from busprobe.session import findings as words
from busprobe.session.changing import make_change, plan_change
from busprobe.session.events import (
    DeviceKnown,
    Event,
    ExchangeMade,
    FindingCleared,
    FindingRaised,
    LinkOpened,
    ReadingsTaken,
    Step,
    StepEnd,
    StepFinished,
    StepProgress,
    StepStarted,
)
from busprobe.session.keeping import keep_bus, keep_event
from busprobe.session.line import LineReport, LineWork, listen_to_line
from busprobe.session.ports import Hands, OpenedLink
from busprobe.session.reading import ReadingWork
from busprobe.session.search import FindPlan, FindResult, Search
from busprobe.session.wiring import prove_wiring


@dataclass
class Job:
    """Everything that is done on one bus.

    Attributes:
        opened: The open link.
        endpoint: Where it leads.
        emit: Takes the events.
        should_stop: Asked between requests.
        recorder: Keeps everything; closed with the job.
    """

    opened: OpenedLink
    endpoint: Endpoint
    emit: Callable[[Event], None]
    should_stop: Callable[[], bool] = lambda: False
    recorder: Recorder | None = None
    devices: dict[int, Device] = field(default_factory=dict)
    findings: dict[tuple[str, int | None], Finding] = field(default_factory=dict)
    anomalies: dict[int, tuple[WalkAnomaly, ...]] = field(default_factory=dict)
    settings_of: dict[int, LineSettings | None] = field(default_factory=dict)
    exchanges: list[Exchange] = field(default_factory=list)
    _search: Search | None = None
    _profiles: Sequence[DeviceProfile] | None = None
    _start_ns: int = 0

    def __post_init__(self) -> None:
        self.bus = Bus(self.opened.link, on_exchange=self._on_exchange)
        if self.recorder is not None:
            self.record(self.recorder)
        self._reading = ReadingWork(self)
        self._start_ns = self.bus.now()
        self.emit(LinkOpened(self.endpoint, self.bus.settings))

    def record(self, recorder: Recorder) -> None:
        """Keep everything from now on."""
        self.recorder = recorder
        keep_bus(recorder, self.bus)
        tell = self.emit

        def tell_and_keep(event: Event) -> None:
            keep_event(recorder, self.bus.now(), event)
            tell(event)

        self.emit = tell_and_keep

    @property
    def hands(self) -> Hands | None:
        """Simulated hands, where the site is simulated."""
        return self.opened.hands

    @property
    def bus_time_s(self) -> float:
        """Time since the link was opened, on its own clock [s]."""
        return (self.bus.now() - self._start_ns) / 1e9

    @property
    def has_faults(self) -> bool:
        """Whether any finding is a fault."""
        return any(f.severity is Severity.FAULT for f in self.findings.values())

    def profiles(self) -> Sequence[DeviceProfile]:
        """The shipped device profiles and those given, loaded once."""
        if self._profiles is None:
            self._profiles = load_profiles((profile_folder(),))
        return self._profiles

    def use_profile_files(self, files: Sequence[Path]) -> None:
        """Put the technician's own profiles before the shipped ones.

        Raises:
            InputError: A profile is wrong; says file, line and column.
        """
        self._profiles = (*load_profiles(tuple(files)), *self.profiles())

    def _on_exchange(self, exchange: Exchange) -> None:
        self.exchanges.append(exchange)
        if self.recorder is not None:
            self.recorder.exchange(exchange)
        self.emit(ExchangeMade(exchange))

    def raise_finding(self, finding: Finding) -> None:
        """Keep a finding and tell the faces."""
        self.findings[finding.code, finding.address] = finding
        self.emit(FindingRaised(finding))

    def raise_findings(self, found: Sequence[Finding]) -> None:
        """Keep what one look found; alike findings at one address become one that tells all."""
        for finding in words.gathered(found):
            self.raise_finding(finding)

    def clear_findings(self, address: int | None, codes: Sequence[str]) -> None:
        """Withdraw what an earlier look at the same thing said."""
        for code in codes:
            if self.findings.pop((code, address), None) is not None:
                self.emit(FindingCleared(code, address))

    def know(self, device: Device) -> None:
        """Keep what is known of a device and tell the faces."""
        self.devices[device.address] = device
        self.emit(DeviceKnown(device))

    def forget(self, address: int) -> None:
        """Another device may be there now."""
        self.devices.pop(address, None)
        self.anomalies.pop(address, None)
        self._reading.forget((address,))

    def move(self, old: int, new: int) -> None:
        """What was learnt of a device's registers holds at its new address, too."""
        self._reading.forget((old, new))
        if old in self.anomalies:
            self.anomalies[new] = self.anomalies.pop(old)

    def progress(self, step: Step) -> Callable[[Progress], None]:
        """An observer that tells the faces how a step goes on."""

        def tell(progress: Progress) -> None:
            self.emit(
                StepProgress(
                    step, progress.done, progress.total, progress.remaining_s, progress.text
                )
            )

        return tell

    # Listen ----------------------------------------------------------------------------------

    async def listen(self, seconds: float, settings: LineSettings | None = None) -> Listening:
        """Hear what others say; nothing is sent.

        Args:
            seconds: How long [s].
            settings: Settings to stay at; they are found where None.

        Raises:
            InputError: On Modbus TCP there is nothing to overhear.
        """
        return await listen_to_line(self, seconds, settings)

    # Find ------------------------------------------------------------------------------------

    async def find(self, plan: FindPlan) -> FindResult:
        """Listen, find the settings, sweep, identify; goes on where it was stopped."""
        if self._search is None or self._search.plan != plan:
            self._search = Search(self, plan)
        result = await self._search.run()
        if not self.should_stop():
            self._search = None
        return result

    # Addresses -------------------------------------------------------------------------------

    async def check_addresses(self, addresses: Sequence[int]) -> dict[int, DuplicateVerdict]:
        """Look for a second device at each address."""
        self.emit(StepStarted(Step.ADDRESSES, words.addresses_intent(addresses)))
        if not self.bus.is_serial:
            self.emit(StepFinished(Step.ADDRESSES, StepEnd.FAILED, words.NOT_SERIAL))
            raise InputError(words.NOT_SERIAL, words.NOT_SERIAL_NEXT)
        verdicts: dict[int, DuplicateVerdict] = {}
        for address in addresses:
            if self.should_stop():
                break
            await self.settle(address)
            device = self.devices.get(address) or Device(address)
            verdicts[address] = await self.look_for_duplicate(device, Step.ADDRESSES)
        self.emit(
            StepFinished(
                Step.ADDRESSES,
                StepEnd.STOPPED if self.should_stop() else StepEnd.DONE,
                words.addresses_summary(verdicts),
            )
        )
        return verdicts

    async def settle(self, address: int) -> None:
        """Change to the settings at which this device answers."""
        settings = self.settings_of.get(address)
        if settings is not None and settings != self.bus.settings:
            await self.bus.configure(settings)

    async def look_for_duplicate(self, device: Device, step: Step) -> DuplicateVerdict:
        """Test one address, and put the verdict into words."""
        verdict = await check_duplicate(
            self.bus,
            device.address,
            identity=device,
            background=background_of(self.exchanges, device.address, self.bus.line),
            observe=self.progress(step),
        )
        self.clear_findings(device.address, words.DUPLICATE_CODES)
        finding = duplicate_finding(verdict, device)
        if finding is not None:
            self.raise_finding(finding)
        if verdict.verdict != "silent":
            self.know(replace(device, duplicate=verdict.verdict))
        return verdict

    # Line ------------------------------------------------------------------------------------

    async def check_line(
        self,
        addresses: Sequence[int],
        *,
        soak_s: float = 0.0,
        insist: bool = False,
        listen_first_s: float = LISTEN_FIRST_NS / 1e9,
    ) -> LineReport:
        """Find what is wrong with the line, and count for as long as wanted.

        Args:
            addresses: Whom to ask; those of `devices` when empty.
            soak_s: How long to go on counting after the experiment [s].
            insist: Ask although a foreign master is heard.
            listen_first_s: How long to listen before the first request [s].

        Raises:
            InputError: This is no serial line, nobody is to be asked, or a foreign master is heard.
        """
        asked = tuple(addresses) or tuple(sorted(self.devices))
        return await LineWork(self).run(asked, soak_s, insist, listen_first_s)

    # Reading ---------------------------------------------------------------------------------

    async def find_device(self, address: int, settings: LineSettings | None) -> None:
        """Find the settings at which one device answers, unless they are given or fit already."""
        await self._reading.find_device(address, settings)

    async def known(self, address: int) -> Device:
        """The device at an address, identified now if it was not before.

        Raises:
            InputError: Nobody answers there.
        """
        return await self._reading.known(address)

    async def reader(self, address: int, *, measured_only: bool) -> MeterReader:
        """A reader for the device at an address."""
        return await self._reading.reader(address, measured_only=measured_only)

    async def read(self, address: int, *, nominal_v: float = 230.0) -> DeviceReadings:
        """Read every point of a device, and again where one poll leaves a doubt.

        Args:
            address: Its address.
            nominal_v: Nominal voltage of the supply, line to neutral [V].
        """
        return await self._reading.read(address, nominal_v)

    def tell_readings(self, readings: DeviceReadings) -> None:
        """Tell the faces what was read."""
        self.emit(
            ReadingsTaken(
                readings.snapshot, tuple(r for block in readings.blocks for r in block.readings)
            )
        )

    async def watch(
        self,
        addresses: Sequence[int],
        period_s: float,
        most: int | None = None,
        on_readings: Callable[[DeviceReadings], None] | None = None,
    ) -> None:
        """Read meters again and again until stopped, or `most` times."""
        await self._reading.watch(addresses, period_s, most, on_readings)

    # Changing --------------------------------------------------------------------------------

    async def plan_change(
        self, address: int, new_address: int | None, new_settings: LineSettings | None
    ) -> ChangePlan:
        """Work out what a change of address or line settings writes; nothing is sent but reads.

        Raises:
            InputError: It cannot be done, or must not be done now.
        """
        return await plan_change(self, address, new_address, new_settings)

    async def change(
        self, plan: ChangePlan, confirmed_by: str, operator: Operator | None = None
    ) -> ChangeResult:
        """Write what was planned and confirmed, and find out where the device is then.

        Args:
            plan: What was shown.
            confirmed_by: Who confirmed it and how.
            operator: Switches the device off and on where it waits for that.
        """
        return await make_change(self, plan, confirmed_by, operator)

    # Wiring ----------------------------------------------------------------------------------

    async def check_wiring(
        self,
        address: int,
        load: KnownLoad | None,
        operator: Operator | None,
        plan: WiringPlan | None = None,
        system: MeterSystem | None = None,
    ) -> WiringDiagnosis:
        """Prove the wiring of one meter."""
        return await prove_wiring(self, address, load, operator, plan, system)

    async def close(self) -> None:
        """Release the link and finish the recording."""
        await self.bus.close()
        if self.recorder is not None:
            self.recorder.close()
