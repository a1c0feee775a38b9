"""The search: listen, find the settings, sweep, identify, look for duplicates.

It can be stopped between any two requests; run again it goes on where it was.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from busprobe.bus.bus import MS
from busprobe.bus.manners import Manners
from busprobe.diagnosis.catalogue import finding as make_finding
from busprobe.model.device import Device
from busprobe.model.finding import Evidence, Finding
from busprobe.model.line import LineSettings
from busprobe.procedures.fast_sweep import FAST_LISTEN_NS, fast_sweep, miss_probability
from busprobe.procedures.find_settings import SettingsSearch, find_settings
from busprobe.procedures.identify import Identified, identify
from busprobe.procedures.listen_first import listen_first
from busprobe.procedures.progress import Observer, Progress, Several, Whole, ignore
from busprobe.procedures.sweep import (
    LIKELY_ADDRESSES,
    Sweep,
    SweepPlan,
    in_likely_order,
    somebody_answers_in_pieces,
    sweep,
    whole_line,
)
from busprobe.session import findings as words
from busprobe.session.events import (
    SettingsFound,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.values import FindPlan, FindResult, FoundDevice

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork

# Modbus Messaging on TCP/IP V1.0b, section 4.4.1.2: a device without a serial line behind it.
HOST_ITSELF = 255
# A gateway waits for its serial side, half a second as a rule, before it says 0B (public issue
# threads of Modbus libraries).
_TCP_LISTEN_NS = 1_000 * MS
# Phases of a search, and guesses where nothing is known before [s] (assumptions).
_LISTEN, _SETTINGS, _FIRST, _LOOK, _SECOND = range(5)
_SETTINGS_S = 20.0
_LOOK_S = 20.0
# So many units with one and the same serial number are one device that ignores the unit id.
_SAME_DEVICE = 3


@dataclass
class Search:
    """A search under way."""

    job: MeterWork
    plan: FindPlan
    _sweep: Sweep | None = None
    _elsewhere: SettingsSearch | None = None
    _manners: Manners | None = None
    _identified: set[tuple[LineSettings | None, int]] = field(default_factory=set)
    _tested: set[tuple[LineSettings | None, int]] = field(default_factory=set)
    _home: LineSettings | None = None
    _whole: Whole = field(default_factory=lambda: Whole(ignore, [0.0] * 5))

    async def run(self) -> FindResult:
        """Search on, until done or stopped.

        Raises:
            InputError: A foreign master is heard, and the plan does not insist.
        """
        job, plan = self.job, self.plan
        addresses = in_likely_order(plan.addresses) if plan.addresses else self._all_addresses()
        job.emit(StepStarted(Step.FIND, words.find_intent(plan, addresses, job.bus)))
        whole = self._whole = self._phases(addresses)
        if self._manners is None:
            self._manners = await self._listen_first()
        if job.bus.settings is not None and plan.settings is None and self._elsewhere is None:
            self._elsewhere = await find_settings(
                job.bus, whole.phase(_SETTINGS), should_stop=job.should_stop
            )
            if self._elsewhere.stopped:
                self._elsewhere = None
                return self._finish(addresses, Sweep(SweepPlan(addresses)))
        home = self._home = job.bus.settings
        if home is not None:
            job.emit(SettingsFound(home))
        if self._sweep is None:
            self._sweep = Sweep(self._sweep_plan(addresses))
        state = await self._go_through(self._sweep, addresses, whole.phase(_FIRST))
        await self._identify_all(state, home)
        await self._look_for_duplicates()
        if self._elsewhere is not None:
            await self._visit_elsewhere(self._elsewhere, home)
            await self._look_for_duplicates()
        if job.bus.is_serial and plan.second_round and not plan.fast and not job.should_stop():
            # What is known is shown before the silent addresses get their second, slower turn.
            state.plan = replace(state.plan, second_round=True)
            await self._go_through(state, addresses, whole.phase(_SECOND))
            await self._identify_all(state, home)
            await self._look_for_duplicates()
        if plan.fast and job.bus.is_serial:
            job.raise_finding(fast_limits(job.bus.line, len(state.silent)))
        for finding in words.after_find(job, state, self._manners, self._elsewhere):
            job.raise_finding(finding)
        return self._finish(addresses, state)

    def _finish(self, addresses: tuple[int, ...], state: Sweep) -> FindResult:
        job = self.job
        stopped = job.should_stop()
        job.emit(
            StepFinished(
                Step.FIND,
                StepEnd.STOPPED if stopped else StepEnd.DONE,
                words.find_summary(job, state),
            )
        )
        home = job.bus.settings
        tried = self._elsewhere.tried if self._elsewhere is not None else ()
        return FindResult(
            tuple(
                FoundDevice(device, job.settings_of.get(address))
                for address, device in sorted(job.devices.items())
            ),
            tuple(sorted(state.silent.difference(job.devices))),
            addresses,
            tried or ((home,) if home is not None else ()),
            None if state.silence_proves_ns is None else state.silence_proves_ns / 1e6,
        )

    def _all_addresses(self) -> tuple[int, ...]:
        return whole_line() if self.job.bus.is_serial else (HOST_ITSELF, *whole_line())

    async def _listen_first(self) -> Manners:
        job, plan = self.job, self.plan
        observe = self._whole.phase(_LISTEN)
        observe(Progress(0, 0, plan.listen_first_s, "listening, nothing is sent yet"))
        manners = await listen_first(job.bus, plan.listen_first_s, observe, job.should_stop)
        finding = words.heard_first(manners)
        if finding is not None:
            job.raise_finding(finding)
            if not plan.insist:
                job.emit(StepFinished(Step.FIND, StepEnd.FAILED, finding.summary))
                raise words.heard_first_error(finding, manners)
        return manners

    def _sweep_plan(self, addresses: tuple[int, ...]) -> SweepPlan:
        if self.job.bus.is_serial:
            return SweepPlan(addresses, second_round=False)
        return SweepPlan(
            addresses,
            first_listen_ns=_TCP_LISTEN_NS,
            shortest_listen_ns=_TCP_LISTEN_NS,
            slow_listen_ns=_TCP_LISTEN_NS,
            second_round=False,
        )

    def _phases(self, addresses: tuple[int, ...]) -> Whole:
        """What is still to be done, with a guess of how long each phase takes."""
        job, plan, serial = self.job, self.plan, self.job.bus.is_serial
        state = self._sweep or Sweep(self._sweep_plan(addresses))
        settings = serial and plan.settings is None and self._elsewhere is None
        patient = replace(state.plan, first_listen_ns=state.plan.slow_listen_ns)
        again = serial and plan.second_round and not plan.fast
        return Whole(
            job.progress(Step.FIND),
            [
                plan.listen_first_s if self._manners is None else 0.0,
                _SETTINGS_S if settings else 0.0,
                state.remaining_s(job.bus.line),
                _LOOK_S,
                Sweep(patient).remaining_s(job.bus.line) if again else 0.0,
            ],
        )

    async def _go_through(
        self, state: Sweep, addresses: tuple[int, ...], observe: Observer
    ) -> Sweep:
        job = self.job

        async def go_on(part: Sweep) -> Sweep:
            told = observe, lambda address, _: self._found(address)
            if self.plan.fast and job.bus.is_serial:
                return await fast_sweep(job.bus, part, *told, job.should_stop)
            return await sweep(job.bus, part, *told, job.should_stop)

        if not job.bus.is_serial and not self.plan.addresses and not state.done:
            # A host that never says a word would cost a second per unit id: the likely ones decide.
            likely = tuple(a for a in addresses if a in LIKELY_ADDRESSES or a == HOST_ITSELF)
            before = len(job.exchanges)
            first = await go_on(Sweep(self._sweep_plan(likely)))
            if all(not e.heard for e in job.exchanges[before:]):
                return first
            state.take_over(first)
        return await go_on(state)

    def _found(self, address: int) -> None:
        if address not in self.job.devices:
            self.job.know(Device(address))

    async def _identify_all(self, state: Sweep, home: LineSettings | None) -> None:
        same: list[str] = []
        for address in in_likely_order({*state.present, *state.garbled}):
            if self.job.should_stop():
                return
            if (home, address) in self._identified:
                continue
            await self._identify(address, home)
            same.append(self.job.devices[address].identity.serial)
            if (
                not self.job.bus.is_serial
                and len(same) == _SAME_DEVICE
                and same[0]
                and len(set(same)) == 1
                and len(state.present) > 2 * _SAME_DEVICE
            ):
                self._fold_units(state, same[0])
                return

    def _fold_units(self, state: Sweep, serial: str) -> None:
        """One device answers at every unit id: it is shown once, at the first."""
        kept = min(state.present, key=lambda a: (a != HOST_ITSELF, a))
        self.job.raise_finding(words.any_unit(kept, serial, len(state.present)))
        for address in list(self.job.devices):
            if address != kept:
                del self.job.devices[address]

    async def _identify(self, address: int, settings: LineSettings | None) -> Identified:
        job = self.job
        found = await identify(job.bus, address, job.profiles(), self._whole.phase(_LOOK))
        self._identified.add((settings, address))
        device = found.device
        job.anomalies[address] = found.anomalies
        job.settings_of[address] = settings
        job.know(device)
        job.raise_findings(words.after_identify(found))
        return found

    async def _look_for_duplicates(self) -> None:
        """Test every address that was not tested yet.

        Not through Modbus TCP: a gateway hands on one answer, and whether two devices gave it
        cannot be seen from there.
        """
        job = self.job
        if not job.bus.is_serial or not self.plan.duplicates:
            return
        untested = sorted(self._identified - self._tested, key=lambda k: k[1])
        tests = Several(self._whole.phase(_LOOK), len(untested), job.bus.now)
        for settings, address in untested:
            if job.should_stop():
                break
            await job.settle(address)
            verdict = await job.look_for_duplicate(job.devices[address], Step.FIND, tests.next())
            if not job.stopped_short(verdict):
                self._tested.add((settings, address))
        if self._home is not None:
            await job.bus.configure(self._home)

    async def _visit_elsewhere(self, found: SettingsSearch, home: LineSettings | None) -> None:
        """Identify the devices that answer at other settings than the rest."""
        job = self.job
        elsewhere = [(s, a) for s, its in found.answered.items() if s != home for a in its]
        # Whole answers first: at a neighbouring format the same device is heard in pieces.
        elsewhere.sort(key=lambda place: not found.exchanges[place].proves_device)
        for settings, address in elsewhere:
            if address in job.devices or job.should_stop():
                continue
            await job.bus.configure(settings)
            whole = found.exchanges[settings, address].proves_device
            if not whole and not await somebody_answers_in_pieces(job.bus, address):
                continue
            self._found(address)
            await self._identify(address, settings)
        if home is not None:
            await job.bus.configure(home)


def fast_limits(line: LineSettings, silent: int) -> Finding:
    """What a fast sweep may have missed."""
    missed = miss_probability(line)
    return make_finding(
        "fast-sweep-limits",
        probability=1.0,
        evidence=[Evidence(None, f"at {line}, one request to each address")],
        count=silent,
        listen_ms=FAST_LISTEN_NS // MS,
        patience_ms=f"{missed.slower_than_ms:.0f}",
        percent=f"{100 * missed.late_exception:.0f} %",
    )
