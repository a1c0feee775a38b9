"""A job on a thread of its own: what the terminal interface commands.

Each command returns at once and is told of by events; `SessionThread` runs it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.line import LineSettings
from busprobe.session.bench_commands import BenchCommands
from busprobe.session.change_commands import ChangeCommands
from busprobe.session.events import Step
from busprobe.session.file_commands import FileCommands
from busprobe.session.session_thread import SessionThread
from busprobe.session.wishes import ReportWish, SearchWish

# The job and all it stands on take a second to load: the screen is painted before that.
if TYPE_CHECKING:
    from busprobe.diagnosis.balance import MeterRole
    from busprobe.diagnosis.wiring import KnownLoad, MeterSystem
    from busprobe.session.handover import VerifyWish
    from busprobe.session.screen_job import ScreenJob

WATCH_PERIOD_S = 1.0


class Session(SessionThread, BenchCommands, ChangeCommands, FileCommands):
    """Every command of the terminal interface.

    Args:
        open_link: Opens any link.
        record: Begins the recording of a link that was opened; None keeps nothing.
    """

    def find(
        self, *, fast: bool = False, insist: bool = False, wish: SearchWish | None = None
    ) -> None:
        """Search, identify, look for duplicates, and read each device once.

        It goes on where it was stopped. `fast` listens briefly to each address, and only once: very
        slow devices may be missed. `insist` searches although another master is heard. `wish` says
        whom to search and how.
        """
        wished = wish or SearchWish()

        async def run(job: ScreenJob) -> None:
            from busprobe.session.values import FindPlan

            if wished.profiles:
                job.use_profile_files(wished.profiles)
            plan = FindPlan(
                wished.addresses, self._settings, wished.second_round, wished.listen_first_s,
                insist, wished.duplicates, fast,
            )  # fmt: skip
            await job.find(plan)
            for address in sorted(job.devices):
                await job.read_once(address)

        self._step(Step.FIND, run)

    def check_addresses(self, addresses: tuple[int, ...] = ()) -> None:
        """Look for a second device at these addresses, or at all that answer."""

        async def run(job: ScreenJob) -> None:
            await job.check_addresses(addresses or tuple(sorted(job.devices)))

        self._step(Step.ADDRESSES, run)

    def check_wiring(
        self,
        address: int,
        load: KnownLoad | None,
        *,
        system: MeterSystem | None = None,
        passive_s: float = 180.0,
    ) -> None:
        """Prove the wiring of a meter.

        Args:
            address: The meter.
            load: A load that somebody switches; None only watches.
            system: How the meter is connected; None as its registers say.
            passive_s: How long to watch without a load [s].
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.procedures.check_wiring import WiringPlan

            plan = WiringPlan(load, passive_s=passive_s)
            if job.hands is not None:
                # Simulated hands are quick: nobody walks to a socket.
                plan = replace(plan, baseline_s=12.0, on_s=9.0, off_s=9.0)
            with self._hands_of(job) as operator:
                somebody = None if load is None else operator
                await job.check_wiring(address, load, somebody, plan, system)

        self._step(Step.WIRING, run)

    def listen(self, seconds: float, settings: LineSettings | None = None) -> None:
        """Hear what others say; nothing is sent."""

        async def run(job: ScreenJob) -> None:
            await job.listen(seconds, settings)

        self._step(Step.LINK, run)

    def check_line(
        self,
        addresses: tuple[int, ...] = (),
        soak_s: float = 0.0,
        *,
        insist: bool = False,
        expected: tuple[int, ...] = (),
        plan_file: Path | None = None,
    ) -> None:
        """Listen, ask, count.

        Args:
            addresses: Whom to ask; all known ones when empty.
            soak_s: How long to go on counting [s].
            insist: Ask although another master is heard.
            expected: Who should be there besides: asked, too, so that a silent one is told.
            plan_file: A plan whose devices should be there, likewise.
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.session.planning import planned_addresses

            planned = () if plan_file is None else planned_addresses(job, plan_file)
            asked = {*(addresses or job.devices), *expected, *planned}
            await job.check_line(tuple(sorted(asked)), soak_s=soak_s, insist=insist)

        self._step(Step.LINE, run)

    def check_balance(
        self, meters: Mapping[int, tuple[str, MeterRole]], duration_s: float, curtail: bool
    ) -> None:
        """Read all meters of the site in turn and see whether they add up.

        Args:
            meters: By address, what to call the meter and what it is said to measure.
            duration_s: How long to read at most [s].
            curtail: Have every generator held back and set free again.
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.diagnosis.balance import Role
            from busprobe.procedures.check_balance import BalancePlan
            from busprobe.session.energy import check_balance

            sources = (Role.GENERATOR, Role.HYBRID)
            held = tuple(name for name, known in meters.values() if known.role in sources)
            plan = BalancePlan(duration_s, curtail=held if curtail else ())
            with self._hands_of(job) as operator:
                await check_balance(job, meters, plan, operator if curtail else None)

        self._step(Step.ENERGY, run)

    def verify(self, wish: VerifyWish) -> None:
        """Hold the site against a plan: the open line first, then the others of the plan."""

        async def run(job: ScreenJob) -> None:
            from busprobe.session.handover import verify_plan

            with self._hands_of(job) as operator:
                await verify_plan(job, wish, operator, self._beside)

        self._step(Step.HANDOVER, run)

    def write_plan(self, file: Path | None = None) -> None:
        """Write a first plan from what was found; nothing is sent.

        Args:
            file: Where to; beside the recording where None. A file that exists is not replaced.
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.session.planning import write_plan

            await write_plan(job, job.serials, file)

        self._step(Step.HANDOVER, run)

    def write_report(self, wish: ReportWish | None = None) -> None:
        """Write the visit down beside its recording.

        Args:
            wish: What it is made from beside the recording, and as what it is written.
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.session.handover import write_report

            await write_report(job, wish or ReportWish(), self._beside_files)

        self._step(Step.HANDOVER, run)

    def watch(self, addresses: tuple[int, ...], period_s: float = WATCH_PERIOD_S) -> None:
        """Read meters again and again until another step begins or `stop` is called."""

        async def run(job: ScreenJob) -> None:
            await job.watch(addresses, period_s)

        self._step(None, run)

    def answer(self, done: bool) -> None:
        """The technician did, or refuses, what was asked."""
        operator = self._operator
        if operator is not None:
            operator.give(done)

    def let_hands(self) -> None:
        """The simulated hands do what was asked, now and from now on."""
        operator = self._operator
        if operator is not None:
            operator.let_hands()

    def carry_heater(self, feeder: str) -> None:
        """Simulated hands carry the test load to another feeder; "" back to the usual one."""
        self._by_hand(lambda hands, _now_ns: hands.carry(feeder))

    def unplug_master(self, *, plugged: bool = False) -> None:
        """Simulated hands take another master off the line, or plug it in again."""
        self._by_hand(lambda hands, now_ns: hands.unplug_master(now_ns, plugged=plugged))
