"""The bench test of a job: one meter on the table, at each line setting that is confirmed."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING

from busprobe.diagnosis.bench import BENCH_CODES, BenchSheet
from busprobe.diagnosis.catalogue import finding
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.errors import BusprobeError, InputError
from busprobe.model.finding import Evidence
from busprobe.model.line import LineSettings
from busprobe.procedures.bench_asking import answers_here, held_settings
from busprobe.procedures.bench_meter import BenchPlan, BenchTest, Offered
from busprobe.procedures.change_address import (
    ChangeState,
    Written,
    change,
    check_change,
    offered_settings,
    plan_change,
)
from busprobe.profiles.match import settings_profile
from busprobe.profiles.schema import DeviceProfile
from busprobe.session.events import (
    BenchSeen,
    CheckMade,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.values import TourPlan
from busprobe.session.wishes import ReportWish

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork

NOT_CONFIRMED = "offered, but going there is a write that was not confirmed"
NO_PROFILE = "no device profile says which other settings it offers"
AFTER_POWER = "offered, but it takes effect only when the device is switched off and on"
NOT_SERIAL = "Modbus TCP has no line settings"


def in_turn(home: LineSettings, others: Sequence[LineSettings]) -> tuple[LineSettings, ...]:
    """An order in which each change is one of the rate, as far as there are several.

    At one and the same rate many receivers let a wrong parity or stop bit pass: where the device is
    after such a change an answer does not tell. At another rate it is not heard at all.
    """
    by_rate: dict[int, list[LineSettings]] = {}
    for settings in others:
        by_rate.setdefault(settings.baud, []).append(settings)
    rates = sorted(by_rate, key=lambda rate: (rate <= home.baud, rate))
    # The rate of home goes last in each round, so that the way home is a change of rate, too.
    rates = [*(r for r in rates if r != home.baud), *(r for r in rates if r == home.baud)]
    longest = max((len(queue) for queue in by_rate.values()), default=0)
    return tuple(
        by_rate[rate][turn]
        for turn in range(longest)
        for rate in rates
        if turn < len(by_rate[rate])
    )


def tour_plan(job: MeterWork, address: int, only: Sequence[LineSettings] = ()) -> TourPlan:
    """Work out what it takes to measure a device at every setting it offers.

    The device must be known. Nothing is sent.

    Args:
        job: The job on the bus.
        address: The device.
        only: Leave out all other settings; empty for every one.

    Raises:
        InputError: One of `only` is not offered.
    """
    device = job.devices[address]
    home = job.settings_of.get(address) or job.bus.settings
    if not job.bus.is_serial or home is None:
        return TourPlan(home, why_not=NOT_SERIAL)
    profile: DeviceProfile | None = settings_profile(
        job.profiles(), device.identity, device.profile
    )
    if profile is None or profile.settings is None:
        return TourPlan(home, why_not=NO_PROFILE)
    others = in_turn(home, offered_settings(profile.settings, home)[1:])
    if only:
        unknown = [s for s in only if s not in (home, *others)]
        if unknown:
            raise InputError(
                f"The profile of this device offers no {unknown[0]}.",
                f"It offers {', '.join(map(str, (home, *others)))}.",
            )
        others = in_turn(home, [s for s in others if s in only])
    if not others:
        return TourPlan(home, why_not="its profile offers no other setting over the bus")
    if profile.settings.takes_effect == "after-power-cycle":
        return TourPlan(home, others, why_not=AFTER_POWER)
    places = (home, *others, home)
    try:
        legs = tuple(
            plan_change(device, profile, before, new_settings=after)
            for before, after in pairwise(places)
        )
    except InputError as error:
        return TourPlan(home, others, why_not=error.cause)
    return TourPlan(home, others, legs)


@dataclass(frozen=True, slots=True)
class BenchWish:
    """What a face wants tested.

    Attributes:
        address: The meter.
        plan: How thorough to be.
        every_setting: Whether the writes of a tour through its settings were shown and confirmed.
        only: The settings of that tour; all that are offered when empty.
        report: What the report is made from beside the recording.
    """

    address: int
    plan: BenchPlan
    every_setting: bool = False
    only: tuple[LineSettings, ...] = ()
    report: ReportWish = field(default_factory=ReportWish)


class _Tour:
    """Goes from setting to setting and home again; writes nothing that was not shown."""

    def __init__(self, job: MeterWork, address: int, plan: TourPlan, confirmed_by: str) -> None:
        assert plan.home is not None
        self._job = job
        self._address = address
        self._plan = plan
        self._home = plan.home
        self._by = confirmed_by
        self._at: LineSettings | None = plan.home
        self._shown = {(w.register, w.value) for leg in plan.legs for w in leg.writes}
        self._checked = False
        self._tell = job.progress(Step.BENCH)
        self.written: list[Written] = []
        self.stranded = ""

    @property
    def others(self) -> Sequence[LineSettings]:
        """The settings to go to."""
        return self._plan.others

    async def go_to(self, settings: LineSettings) -> str:
        """Bring device and link to a setting; "" when it answers there, else why not."""
        if settings == self._at:
            return ""
        if self._at is None:
            return "not tried: it was lost at the setting before"
        leg = plan_change(
            self._job.devices[self._address], self._profile, self._at, new_settings=settings
        )
        if not {(w.register, w.value) for w in leg.writes} <= self._shown:
            return "not tried: from where it is now, going there needs a write that was not shown"
        try:
            if not self._checked:
                await check_change(self._job.bus, leg, self._tell, self._job.should_stop)
                self._checked = True
            # From here on it is a matter of seconds, and of where it ends: not to be stopped.
            result = await change(
                self._job.bus,
                leg,
                leg.permit(self._by),
                self._tell,
                on_written=self._note,
                profiles=self._job.profiles(),
            )
        except InputError as error:
            return error.cause
        except BaseException:
            self._at = None
            raise
        self._at = result.settings
        arrived = (ChangeState.CHANGED, ChangeState.NOT_SAVED)
        return "" if result.state in arrived and self._at == settings else result.text

    @property
    def _profile(self) -> DeviceProfile | None:
        device = self._job.devices[self._address]
        return settings_profile(self._job.profiles(), device.identity, device.profile)

    def _note(self, written: Written) -> None:
        self.written.append(written)

    async def go_back(self) -> tuple[bool, str]:
        """Bring both back to where they began."""
        why = ""
        try:
            if self._at is None:
                self._at = await self._search()
            if self._at is not None:
                why = await self.go_to(self._home)
            if self._at is None:
                self._at = await self._search()
        except BusprobeError as error:
            self._at, why = None, error.cause
        if self._at is not None:
            self._job.settings_of[self._address] = self._at
        if self._at == self._home:
            return True, f"answers at {self._home} again"
        where = "where it is now is not known"
        if self._at is not None:
            where = f"it answers at {self._at}"
        self.stranded = f"should be at {self._home} again, but {where}. {why}".strip().rstrip(".")
        return False, self.stranded

    async def _search(self) -> LineSettings | None:
        """Look for the device at every setting it offers; its own registers say which it is."""
        bus, device, profile = self._job.bus, self._job.devices[self._address], self._profile
        for settings in (self._home, *self._plan.others):
            await bus.configure(settings)
            if not await answers_here(bus, device):
                continue
            how = None if profile is None else profile.settings
            held = settings if how is None else await held_settings(bus, device, how, settings)
            if held != bus.settings:
                await bus.configure(held)
            return held
        return None

    def lines(self) -> tuple[str, ...]:
        """What was written, in order."""
        return tuple(
            f"exchange {w.exchange}: register {w.write.register} := {w.write.value}, "
            f"{w.write.purpose}: {w.outcome}"
            for w in self.written
        )


async def bench(
    job: MeterWork,
    address: int,
    plan: BenchPlan,
    confirm: Callable[[TourPlan], str] | None = None,
    only: Sequence[LineSettings] = (),
) -> BenchSheet:
    """Test one meter on the table.

    Args:
        job: The job on the bus.
        address: The meter.
        plan: How thorough to be.
        confirm: Shown every write of a tour through all settings; answers who confirmed it, or "".
            None: do not leave the setting it has.
        only: The settings of the tour; empty for every one that is offered.

    Raises:
        InputError: Nobody answers there.
    """
    job.emit(StepStarted(Step.BENCH, _intent(address, plan)))
    try:
        device = await job.known(address)
        if job.bus.is_serial:
            await job.settle(address)
            await _refuse_two(job, device)
        reader = await job.reader(address, measured_only=False)
        touring = tour_plan(job, address, only)
        by = confirm(touring) if confirm is not None and touring.legs else ""
    except InputError as error:
        job.emit(StepFinished(Step.BENCH, StepEnd.FAILED, error.cause))
        raise
    tour = _Tour(job, address, touring, by) if by else None
    test = BenchTest(
        reader,
        job.anomalies.get(address, ()),
        plan,
        tour,
        Offered(touring.others, touring.why_not or NOT_CONFIRMED),
        job.progress(Step.BENCH),
        lambda check: job.emit(CheckMade(check)),
        job.tell_readings,
        job.should_stop,
    )
    try:
        sheet = await test.run()
    finally:
        if tour is not None and tour.stranded:
            job.raise_finding(
                finding(
                    "bench-settings-stranded",
                    probability=1.0,
                    evidence=[Evidence(None, f"it {tour.stranded}")],
                    address=address,
                    device=str(reader.device.identity),
                    found=tour.stranded.rstrip("."),
                )
            )
    if tour is not None:
        sheet = replace(sheet, written=tour.lines())
    job.clear_findings(address, [c for c in BENCH_CODES if c != "bench-settings-stranded"])
    job.raise_findings([f for f in test.findings if f.code != "bench-settings-stranded"])
    job.emit(BenchSeen(sheet))
    end = StepEnd.DONE if sheet.complete else StepEnd.STOPPED
    job.emit(StepFinished(Step.BENCH, end, summary(sheet)))
    return sheet


async def _refuse_two(job: MeterWork, device: Device) -> None:
    """Two new meters at one address answer as one that is broken: nothing could be said of either.

    Raises:
        InputError: More than one device answers.
    """
    verdict = await job.look_for_duplicate(device, Step.BENCH)
    # With one serial number alone it may be one meter of odd manners: the finding says what was
    # heard, and the test goes on.
    if verdict.verdict != "duplicate" or len(verdict.serials) == 1:
        return
    serials = f" (serial numbers {', '.join(verdict.serials)})" if verdict.serials else ""
    raise InputError(
        f"More than one device answers at address {device.address}{serials}.",
        "Disconnect the bus wires of all but one, and test them one after the other.",
    )


def today() -> str:
    """The date for the label, ISO 8601."""
    return datetime.datetime.now().astimezone().date().isoformat()


def _intent(address: int, plan: BenchPlan) -> str:
    return (
        f"Tests the meter at address {address}: register map, {plan.requests} requests, illegal "
        f"ones, long reads, {plan.watch_s:.0f} s of counter against power. Nothing is written "
        "without your yes."
    )


def counts(checks: Sequence[Check]) -> dict[CheckOutcome, int]:
    """How many checks ended how."""
    return {outcome: sum(c.outcome is outcome for c in checks) for outcome in CheckOutcome}


def summary(sheet: BenchSheet) -> str:
    """The end of a bench test in a sentence."""
    found = counts(sheet.checks)
    words = "passed" if sheet.passed else "NOT passed"
    if sheet.passed and not sheet.complete:
        words = "stopped before its end"
    told = f"Bench test {words}: {found[CheckOutcome.PASS]} PASS, {found[CheckOutcome.FAIL]} FAIL"
    return f"{told}, {found[CheckOutcome.NOT_TESTED]} NOT TESTED."
