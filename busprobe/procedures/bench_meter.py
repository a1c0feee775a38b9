"""One meter on the table before the visit: everything that can be asked of it.

    identity, map beside the published models, readings beside each other
    at the setting it has: shortest rest, response statistics, refusals, long reads, counter
    at every other setting it offers, where changing it was confirmed: rest and statistics
    back at its own setting, whatever happened

It only reads. Bringing the device to another setting is the business of a `SettingsTour`, which
holds the confirmation; without one the other settings are told as not measured.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Protocol

from busprobe.bus.bus import MS, Bus
from busprobe.diagnosis import bench
from busprobe.diagnosis.bench import (
    BenchSheet,
    Measured,
    ModelSheet,
    Rating,
    Reference,
    SettingsStatistics,
)
from busprobe.diagnosis.plausibility import plausibility_findings
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device, ModelBlock
from busprobe.model.finding import Finding
from busprobe.model.line import LineSettings
from busprobe.model.reading import Snapshot
from busprobe.procedures.bench_asking import BenchAsker
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.procedures.read_meters import BlockReadings, DeviceReadings, MeterReader
from busprobe.profiles.definitions import COMMON_MODEL, HEADER_REGISTERS, model_definition
from busprobe.profiles.layout import layout
from busprobe.profiles.sunspec import AnomalyKind, WalkAnomaly

# Meters renew their registers once a second as a rule. Common practice, no source.
_POLL_NS = 1_000 * MS
_PLAUSIBILITY_POLLS = 3
# Offset of DA in the published common model, the ID register being 0.
_DEVICE_ADDRESS_OFFSET = 66


@dataclass(frozen=True, slots=True)
class BenchPlan:
    """How thorough to be.

    Attributes:
        requests: Requests for the response statistics, at each setting.
        watch_s: How long to hold the counter against the power [s].
        references: What another instrument shows.
        rating: What is written on the meter about its accuracy.
        nominal_v: Nominal voltage on its terminals, line to neutral [V].
        day: Date for the label.
    """

    requests: int = 100
    watch_s: float = 60.0
    references: tuple[Reference, ...] = ()
    rating: Rating = field(default_factory=Rating)
    nominal_v: float = 230.0
    day: str = ""


class SettingsTour(Protocol):
    """Brings the device from setting to setting; every write of it was shown and confirmed."""

    @property
    def others(self) -> Sequence[LineSettings]:
        """The settings to go to, the device's own one left out."""

    async def go_to(self, settings: LineSettings) -> str:
        """Bring device and link to a setting; "" when it answers there, else why not."""

    async def go_back(self) -> tuple[bool, str]:
        """Bring both back to where they began: whether they are there, and how things stand."""


@dataclass(frozen=True, slots=True)
class Offered:
    """Settings that are not measured, and why.

    Attributes:
        others: The settings.
        why: The reason, in words.
    """

    others: tuple[LineSettings, ...] = ()
    why: str = ""


@dataclass
class BenchTest:
    """One bench test.

    Attributes:
        reader: Reads the meter.
        anomalies: What the walk along its map met.
        plan: How thorough to be.
        tour: Brings it to other settings; None to stay at its own.
        offered: What stays untested without a tour.
        observe: Takes the progress.
        on_check: Told of each check as it is made.
        should_stop: Asked between requests.
    """

    reader: MeterReader
    anomalies: Sequence[WalkAnomaly]
    plan: BenchPlan
    tour: SettingsTour | None = None
    offered: Offered = Offered()
    observe: Observer = ignore
    on_check: Callable[[Check], None] = lambda check: None
    on_readings: Callable[[DeviceReadings], None] = lambda readings: None
    should_stop: Callable[[], bool] = lambda: False

    def __post_init__(self) -> None:
        self._checks: list[Check] = []
        self.findings: list[Finding] = []
        self._bus: Bus = self.reader.bus
        self._device: Device = self.reader.device
        self._registers: dict[int, tuple[int | None, ...]] = {}
        self._stranded = False

    @property
    def _address(self) -> int:
        return self._device.address

    def _tell(self, *checks: Check) -> None:
        for check in checks:
            self._checks.append(check)
            self.on_check(check)

    async def run(self) -> BenchSheet:
        """Make every check; stopped early, what was not tested is told as such."""
        home = self._bus.settings
        rest_before = self._bus.gap_ns
        asker = BenchAsker(
            self._bus, self._device, self.observe, self.should_stop, profile=self.reader.profile
        )
        statistics: list[SettingsStatistics] = []
        note = ""
        try:
            here, tried = await asker.measure(self.plan.requests, current=True)
            statistics.append(here)
            self._bus.gap_ns = asker.gap_ns
            self._tell(bench.identity_check(self._device))
            models, readings = await self._map(asker)
            self._tell(bench.answers_check(self._address, here))
            if self._bus.is_serial:
                self._tell(bench.gap_check(self._address, here, asker.t3_5_ns / MS, tried))
            self._tell(await asker.exceptions())
            self._tell(
                await asker.longest_read(self._longest_stretch(readings) or asker.own_stretch)
            )
            polls = await self._watch()
            references = self._counter_and_references(polls, readings)
            others, note = await self._settings(asker)
            statistics += others
        finally:
            self._bus.gap_ns = rest_before
        passed = not any(c.outcome is CheckOutcome.FAIL for c in self._checks)
        left_at = str(home) if home is not None else "Modbus TCP"
        if self._stranded:
            left_at = f"NOT {left_at} (see the report)"
        self.findings += bench.bench_findings(self._address, self._name, self._checks)
        return BenchSheet(
            address=self._address,
            device=str(self._device.identity),
            serial=self._device.identity.serial,
            settings=left_at,
            settings_note=note,
            accuracy_class=self.plan.rating.accuracy_class,
            models=models,
            statistics=tuple(statistics),
            references=references,
            checks=tuple(self._checks),
            passed=passed,
            complete=not self.should_stop(),
            label=bench.label_text(
                self._device, left_at, self.plan.day, self._checks, complete=not self.should_stop()
            ),
        )

    @property
    def _name(self) -> str | None:
        identity = self._device.identity
        return None if identity.source == "none" else str(identity)

    # Register map ------------------------------------------------------------------------------

    async def _map(self, asker: BenchAsker) -> tuple[tuple[ModelSheet, ...], DeviceReadings]:
        self.observe(Progress(0, 0, None, "reading its whole register map"))
        readings = await self.reader.poll()
        self.on_readings(readings)
        stated = {a.register: a.raw[1] for a in self.anomalies
                  if a.kind is AnomalyKind.LENGTH_MISMATCH and len(a.raw) > 1}  # fmt: skip
        sheets = []
        for part in readings.blocks:
            if part.block is None:
                continue
            registers = await self._whole(asker, part, part.block)
            self._registers[part.block.address] = registers
            sheets.append(bench.model_sheet(part.block, registers, stated.get(part.block.address)))
        self._tell(bench.map_check(self._device, self.anomalies))
        profile = self.reader.profile
        if self._device.sunspec is None and profile is not None:
            failure = "; ".join(b.failure for b in readings.blocks if b.failure)
            self._tell(bench.profile_check(self._device, len(profile.registers), failure))
        if self._device.sunspec is not None:
            self._tell(bench.lengths_check(self._device, self.anomalies, sheets))
        for sheet in sheets:
            self._tell(*bench.model_checks(self._address, sheet))
        self._state_address(readings)
        await self._plausibility(readings)
        return tuple(sheets), readings

    async def _whole(
        self, asker: BenchAsker, part: BlockReadings, block: ModelBlock
    ) -> tuple[int | None, ...]:
        """The registers of a block; what a long read refused is asked for point by point."""
        registers = list(part.registers)
        definition = model_definition(block.model_id)
        if definition is None or not part.failure:
            return tuple(registers)
        for point in layout(definition, block.length, registers).points:
            span = slice(point.offset, point.end)
            if None not in registers[span] or self.should_stop():
                continue
            got = await asker.registers(block.address + point.offset, point.definition.size)
            if got is not None:
                registers[span] = got
        return tuple(registers)

    def _state_address(self, readings: DeviceReadings) -> None:
        common = next(
            (b for b in readings.blocks if b.block and b.block.model_id == COMMON_MODEL), None
        )
        if common is None:
            return
        held = (
            common.registers[_DEVICE_ADDRESS_OFFSET]
            if len(common.registers) > _DEVICE_ADDRESS_OFFSET
            else None
        )
        stated = None if held in (None, 0xFFFF) else held
        self._tell(
            bench.device_address_check(self._address, stated, serial_line=self._bus.is_serial)
        )

    async def _plausibility(self, first: DeviceReadings) -> None:
        polls = [first]
        while len(polls) < _PLAUSIBILITY_POLLS and not self.should_stop():
            await self._bus.listen(_POLL_NS)
            polls.append(await self.reader.poll())
        if not first.uniform.quantities:
            return
        found = plausibility_findings(
            self._address,
            self._name,
            *(p.uniform for p in polls),
            nominal_v=self.plan.nominal_v,
            exchange=polls[-1].exchanges[-1].number if polls[-1].exchanges else None,
        )
        check = bench.readings_check(self._address, found, len(polls))
        self.findings += [f for f in found if f.code in check.finding_codes]
        self._tell(check)

    def _longest_stretch(self, readings: DeviceReadings) -> tuple[int, int] | None:
        """First register and length of the longest stretch of its map that can be read."""
        known = readings.device.sunspec
        held: dict[int, bool] = {} if known is None else {known.base: True, known.base + 1: True}
        for address, registers in self._registers.items():
            for offset, register in enumerate(registers):
                held[address + offset] = offset < HEADER_REGISTERS or register is not None
        best: tuple[int, int] | None = None
        start = length = 0
        for register in sorted(r for r, readable in held.items() if readable):
            start, length = (start, length + 1) if register == start + length else (register, 1)
            if best is None or length > best[1]:
                best = (start, length)
        return best

    # Counter and references --------------------------------------------------------------------

    async def _watch(self) -> list[Snapshot]:
        """Read once a second."""
        polls: list[Snapshot] = []
        until = self._bus.now() + round(self.plan.watch_s * 1e9)
        due = self._bus.now()
        total = max(1, round(self.plan.watch_s))
        while self._bus.now() < until and not self.should_stop():
            left = (until - self._bus.now()) / 1e9
            self.observe(
                Progress(round(total - left), total, left, "holding the counter against the power")
            )
            readings = await self.reader.poll()
            self.on_readings(readings)
            polls.append(readings.snapshot)
            due = max(due + _POLL_NS, self._bus.now())
            if due > self._bus.now():
                await self._bus.listen(due - self._bus.now())
        return polls

    def _counter_and_references(
        self, polls: Sequence[Snapshot], readings: DeviceReadings
    ) -> tuple[bench.ReferenceResult, ...]:
        steps = readings.uniform.steps
        self._tell(bench.counter_check(self._address, polls, steps))
        results = bench.reference_results(
            self.plan.references, polls or [readings.snapshot], steps, self.plan.rating
        )
        self._tell(*bench.reference_checks(self._address, results))
        return results

    # Other settings ----------------------------------------------------------------------------

    async def _settings(self, asker: BenchAsker) -> tuple[list[SettingsStatistics], str]:
        """Measure at the other settings, and bring the device back whatever happens."""
        if self.tour is None:
            untested = [
                SettingsStatistics(str(s), False, Measured.NO, self.offered.why)
                for s in self.offered.others
            ]
            if untested:
                self._tell(bench.settings_check(self._address, untested, self.offered.why))
            return untested, self.offered.why
        measured: list[SettingsStatistics] = []
        try:
            for settings in self.tour.others:
                measured.append(await self._at(asker, settings))
        finally:
            self.observe(Progress(0, 0, None, "bringing it back to its own setting"))
            back, state = await self.tour.go_back()
            self._stranded = not back
            self._tell(
                Check(
                    "settings-restored",
                    f"address {self._address}",
                    "It is back at its own line settings",
                    "as before the test",
                    state,
                    CheckOutcome.PASS if back else CheckOutcome.FAIL,
                    finding_codes=() if back else ("bench-settings-stranded",),
                )
            )
        return measured, state

    async def _at(self, asker: BenchAsker, settings: LineSettings) -> SettingsStatistics:
        assert self.tour is not None
        if self.should_stop():
            found = SettingsStatistics(str(settings), False, Measured.NO, "stopped")
            self._tell(bench.answers_check(self._address, found))
            return found
        self.observe(Progress(0, 0, None, f"bringing it to {settings}"))
        why = await self.tour.go_to(settings)
        if why:
            found = SettingsStatistics(str(settings), False, Measured.FAILED, why)
            self._tell(bench.answers_check(self._address, found))
            return found
        asker.gap_ns = self._bus.gap_ns = None
        found, tried = await asker.measure(self.plan.requests, current=False)
        found = replace(found, settings=str(settings))
        self._bus.gap_ns = asker.gap_ns
        self._tell(bench.answers_check(self._address, found))
        self._tell(bench.gap_check(self._address, found, asker.t3_5_ns / MS, tried))
        return found
