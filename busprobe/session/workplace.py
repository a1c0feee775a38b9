"""The place of work: one open bus, what is known on it, and those who are told.

It knows no step. Steps are given it, and it is theirs to keep what they find.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from busprobe.bus.bus import Bus
from busprobe.diagnosis.listening.foreign import ForeignRequests
from busprobe.model.device import Device
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Finding, Severity, gathered
from busprobe.model.line import Endpoint, LineSettings
from busprobe.procedures.progress import Progress
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.profiles.load import load_profiles
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.sunspec import WalkAnomaly
from busprobe.recording.store import Recorder
from busprobe.resources import profile_folder
from busprobe.session.events import (
    DeviceKnown,
    Event,
    ExchangeMade,
    FindingCleared,
    FindingRaised,
    LinkOpened,
    ReadingsTaken,
    Step,
    StepProgress,
)
from busprobe.session.keeping import keep_bus, keep_event
from busprobe.session.ports import Hands, OpenedLink


@dataclass
class Workplace:
    """One open bus, what is known on it, and those who are told.

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
    _profiles: Sequence[DeviceProfile] | None = None
    _start_ns: int = 0
    _foreign: ForeignRequests = field(default_factory=ForeignRequests)

    def __post_init__(self) -> None:
        self.bus = Bus(self.opened.link, on_exchange=self._on_exchange)
        if self.recorder is not None:
            self.record(self.recorder)
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
        master = self._foreign.take(exchange) if self.bus.is_serial else None
        if master is not None and ("foreign-master", None) not in self.findings:
            self.raise_finding(master)

    def raise_finding(self, finding: Finding) -> None:
        """Keep a finding and tell the faces."""
        self.findings[finding.code, finding.address] = finding
        self.emit(FindingRaised(finding))

    def raise_findings(self, found: Sequence[Finding]) -> None:
        """Keep what one look found; alike findings at one address become one that tells all."""
        for finding in gathered(found):
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

    def progress(self, step: Step) -> Callable[[Progress], None]:
        """An observer that tells the faces how a step goes on."""

        def tell(progress: Progress) -> None:
            self.emit(
                StepProgress(
                    step, progress.done, progress.total, progress.remaining_s, progress.text
                )
            )

        return tell

    async def settle(self, address: int) -> None:
        """Change to the settings at which this device answers."""
        settings = self.settings_of.get(address)
        if settings is not None and settings != self.bus.settings:
            await self.bus.configure(settings)

    def tell_readings(self, readings: DeviceReadings) -> None:
        """Tell the faces what was read."""
        self.emit(
            ReadingsTaken(
                readings.snapshot, tuple(r for block in readings.blocks for r in block.readings)
            )
        )

    async def close(self) -> None:
        """Release the link and finish the recording."""
        await self.bus.close()
        if self.recorder is not None:
            self.recorder.close()
