"""Knowing the devices at a place of work: what they are, what they read, whether they are alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from busprobe.bus.bus import MS
from busprobe.diagnosis.duplicate import (
    DuplicateVerdict,
    another_meter_finding,
    duplicate_finding,
)
from busprobe.diagnosis.plausibility import needs_another_poll
from busprobe.model.device import Device
from busprobe.model.line import LineSettings
from busprobe.procedures.check_duplicate import background_of, check_duplicate
from busprobe.procedures.find_settings import COMMON_SETTINGS, find_settings
from busprobe.procedures.identify import identify
from busprobe.procedures.progress import Observer
from busprobe.procedures.read_meters import DeviceReadings, MeterReader
from busprobe.profiles.schema import DeviceProfile
from busprobe.session import findings as words
from busprobe.session.events import Step
from busprobe.session.workplace import Workplace

# A load that switches within one poll looks like a wrong register; in three polls it does not.
_MOST_POLLS = 3
# Meters renew their registers once a second as a rule. Common practice, no source.
_BETWEEN_POLLS_NS = 1_500 * MS


@dataclass
class MeterWork(Workplace):
    """A place of work whose devices can be known, read and tested for a second one."""

    _readers: dict[tuple[int, bool], MeterReader] = field(default_factory=dict)
    _who_answered: dict[int, tuple[str, ...]] = field(default_factory=dict)

    async def find_device(self, address: int, settings: LineSettings | None) -> None:
        """Find the settings at which one device answers, unless they are given or fit already."""
        home = self.bus.settings
        if not self.bus.is_serial or settings is not None or home is None:
            return
        search = await find_settings(
            self.bus,
            self.progress(Step.FIND),
            settings=(home,),
            addresses=(address,),
            should_stop=self.should_stop,
        )
        if not search.answered:
            rest = tuple(s for s in COMMON_SETTINGS if s != home)
            await find_settings(
                self.bus,
                self.progress(Step.FIND),
                settings=rest,
                addresses=(address,),
                should_stop=self.should_stop,
            )

    async def known(self, address: int) -> Device:
        """The device at an address, identified now if it was not before.

        Raises:
            InputError: Nobody answers there.
        """
        device = self.devices.get(address)
        if device is None or (device.sunspec is None and device.profile is None):
            await self.settle(address)
            found = await identify(self.bus, address, self.profiles(), self.progress(Step.FIND))
            if not any(e.proves_device for e in found.exchanges):
                raise words.nobody_there(address, self.bus, found.exchanges)
            device = found.device
            self.anomalies[address] = found.anomalies
            self.settings_of.setdefault(address, self.bus.settings)
            self.know(device)
            self.raise_findings(words.after_identify(found))
        return device

    def _profile_of(self, device: Device) -> DeviceProfile | None:
        return next((p for p in self.profiles() if p.name == device.profile), None)

    def forget(self, address: int) -> None:
        """Another device may be there now."""
        self.devices.pop(address, None)
        self._who_answered.pop(address, None)
        self.anomalies.pop(address, None)
        self._forget_readers((address,))

    def move(self, old: int, new: int) -> None:
        """What was learnt of a device's registers holds at its new address, too."""
        self._forget_readers((old, new))
        for address in (old, new):
            self._who_answered.pop(address, None)
        if old in self.anomalies:
            self.anomalies[new] = self.anomalies.pop(old)

    def _forget_readers(self, addresses: Sequence[int]) -> None:
        for key in [key for key in self._readers if key[0] in addresses]:
            del self._readers[key]

    async def reader(self, address: int, *, measured_only: bool) -> MeterReader:
        """A reader for the device at an address."""
        device = await self.known(address)
        await self.settle(address)
        reader = self._readers.get((address, measured_only))
        if reader is None or reader.device.sunspec != device.sunspec:
            reader = MeterReader(
                self.bus, device, self._profile_of(device), measured_only=measured_only
            )
            self._readers[address, measured_only] = reader
        return reader

    async def read(self, address: int, *, nominal_v: float = 230.0) -> DeviceReadings:
        """Read every point of a device, and again where one poll leaves a doubt.

        Args:
            address: Its address.
            nominal_v: Nominal voltage of the supply, line to neutral [V].
        """
        reader = await self.reader(address, measured_only=False)
        polls = [await reader.poll()]
        while len(polls) < _MOST_POLLS and needs_another_poll(
            polls[0].uniform, nominal_v=nominal_v
        ):
            await self.bus.listen(_BETWEEN_POLLS_NS)
            polls.append(await reader.poll())
        self.tell_readings(polls[-1])
        self.raise_findings(words.after_read(polls, nominal_v))
        return polls[-1]

    async def watch(
        self,
        addresses: Sequence[int],
        period_s: float,
        most: int | None = None,
        on_readings: Callable[[DeviceReadings], None] | None = None,
    ) -> None:
        """Read meters again and again until stopped, or `most` times."""
        readers = [await self.reader(a, measured_only=True) for a in addresses]
        due = self.bus.now()
        rounds = 0
        while not self.should_stop() and (most is None or rounds < most):
            if due > self.bus.now():
                await self.bus.listen(min(due - self.bus.now(), 250 * MS))
                continue
            for reader in readers:
                await self.settle(reader.device.address)
                readings = await reader.poll()
                self.tell_readings(readings)
                if on_readings is not None:
                    on_readings(readings)
            rounds += 1
            due = max(due + round(period_s * 1e9), self.bus.now())

    async def look_for_duplicate(
        self, device: Device, step: Step, observe: Observer | None = None
    ) -> DuplicateVerdict:
        """Test one address, and put the verdict into words; what was stopped says nothing.

        Args:
            device: What is known of the device there.
            step: The step it belongs to.
            observe: Told before each request, in place of the observer of the step.
        """
        verdict = await check_duplicate(
            self.bus,
            device.address,
            identity=device,
            background=background_of(self.exchanges, device.address, self.bus.line),
            observe=observe or self.progress(step),
            should_stop=self.should_stop,
        )
        if self.stopped_short(verdict):
            return verdict
        self.tell_of_duplicate(verdict, device)
        if verdict.verdict != "silent":
            self.know(replace(device, duplicate=verdict.verdict))
        return verdict

    def tell_of_duplicate(self, verdict: DuplicateVerdict, device: Device | None) -> None:
        """Put a verdict into words, in place of what was said of the address before."""
        self.clear_findings(verdict.address, words.DUPLICATE_CODES)
        finding = duplicate_finding(verdict, device)
        if finding is not None:
            self.raise_finding(finding)
        if verdict.verdict != "duplicate" and len(verdict.serials) == 1:
            self._note_who(verdict)

    def _note_who(self, verdict: DuplicateVerdict) -> None:
        """Two in step hide each other, but seldom the same one from both ends of the cable."""
        (serial,) = verdict.serials
        before = self._who_answered.get(verdict.address, ())
        heard = (*(other for other in before if other != serial), serial)
        self._who_answered[verdict.address] = heard
        if len(heard) > 1:
            self.raise_finding(another_meter_finding(verdict, heard))

    def stopped_short(self, verdict: DuplicateVerdict) -> bool:
        """Whether a test for two devices was stopped before it knew."""
        return self.should_stop() and verdict.verdict not in ("single", "duplicate")
