"""Knowing and reading devices as steps of the job."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from busprobe.bus.bus import MS
from busprobe.diagnosis.plausibility import needs_another_poll
from busprobe.model.device import Device
from busprobe.model.line import LineSettings
from busprobe.procedures.find_settings import COMMON_SETTINGS, find_settings
from busprobe.procedures.identify import identify
from busprobe.procedures.read_meters import DeviceReadings, MeterReader
from busprobe.profiles.schema import DeviceProfile
from busprobe.session import findings as words
from busprobe.session.events import Step

if TYPE_CHECKING:
    from busprobe.session.job import Job

# A load that switches within one poll looks like a wrong register; in three polls it does not.
_MOST_POLLS = 3
# Meters renew their registers once a second as a rule. Common practice, no source.
_BETWEEN_POLLS_NS = 1_500 * MS


@dataclass
class ReadingWork:
    """How the devices of one job are known and read."""

    job: Job
    _readers: dict[tuple[int, bool], MeterReader] = field(default_factory=dict)

    async def find_device(self, address: int, settings: LineSettings | None) -> None:
        """Find the settings at which one device answers; see `Job.find_device`."""
        job = self.job
        home = job.bus.settings
        if not job.bus.is_serial or settings is not None or home is None:
            return
        search = await find_settings(
            job.bus,
            job.progress(Step.FIND),
            settings=(home,),
            addresses=(address,),
            should_stop=job.should_stop,
        )
        if not search.answered:
            rest = tuple(s for s in COMMON_SETTINGS if s != home)
            await find_settings(
                job.bus,
                job.progress(Step.FIND),
                settings=rest,
                addresses=(address,),
                should_stop=job.should_stop,
            )

    async def known(self, address: int) -> Device:
        """The device at an address, identified now if it was not before; see `Job.known`."""
        job = self.job
        device = job.devices.get(address)
        if device is None or (device.sunspec is None and device.profile is None):
            await job.settle(address)
            found = await identify(job.bus, address, job.profiles(), job.progress(Step.FIND))
            if not any(e.proves_device for e in found.exchanges):
                raise words.nobody_there(address, job.bus, found.exchanges)
            device = found.device
            job.anomalies[address] = found.anomalies
            job.settings_of.setdefault(address, job.bus.settings)
            job.know(device)
            job.raise_findings(words.after_identify(found))
        return device

    def _profile_of(self, device: Device) -> DeviceProfile | None:
        return next((p for p in self.job.profiles() if p.name == device.profile), None)

    def forget(self, addresses: Sequence[int]) -> None:
        """The devices at these addresses are no longer the same."""
        for key in [key for key in self._readers if key[0] in addresses]:
            del self._readers[key]

    async def reader(self, address: int, *, measured_only: bool) -> MeterReader:
        """A reader for the device at an address."""
        device = await self.known(address)
        await self.job.settle(address)
        reader = self._readers.get((address, measured_only))
        if reader is None or reader.device.sunspec != device.sunspec:
            reader = MeterReader(
                self.job.bus, device, self._profile_of(device), measured_only=measured_only
            )
            self._readers[address, measured_only] = reader
        return reader

    async def read(self, address: int, nominal_v: float) -> DeviceReadings:
        """Read every point of a device, and again where one poll leaves a doubt."""
        job = self.job
        reader = await self.reader(address, measured_only=False)
        polls = [await reader.poll()]
        while len(polls) < _MOST_POLLS and needs_another_poll(
            polls[0].uniform, nominal_v=nominal_v
        ):
            await job.bus.listen(_BETWEEN_POLLS_NS)
            polls.append(await reader.poll())
        job.tell_readings(polls[-1])
        job.raise_findings(words.after_read(polls, nominal_v))
        return polls[-1]

    async def watch(
        self,
        addresses: Sequence[int],
        period_s: float,
        most: int | None,
        on_readings: Callable[[DeviceReadings], None] | None,
    ) -> None:
        """Read meters again and again until stopped, or `most` times."""
        job = self.job
        readers = [await self.reader(a, measured_only=True) for a in addresses]
        due = job.bus.now()
        rounds = 0
        while not job.should_stop() and (most is None or rounds < most):
            if due > job.bus.now():
                await job.bus.listen(min(due - job.bus.now(), 250 * MS))
                continue
            for reader in readers:
                await job.settle(reader.device.address)
                readings = await reader.poll()
                job.tell_readings(readings)
                if on_readings is not None:
                    on_readings(readings)
            rounds += 1
            due = max(due + round(period_s * 1e9), job.bus.now())
