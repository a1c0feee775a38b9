"""The commands that change a device, as a part of the session."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.session.events import (
    ChangePlanned,
    Event,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)

if TYPE_CHECKING:
    from busprobe.procedures.change_address import ChangePlan
    from busprobe.session.screen_job import ScreenJob
    from busprobe.session.screen_operator import ScreenOperator

# So often it is looked whether a change was confirmed.
_LOOK_AGAIN_NS = 100_000_000


class ChangeCommands:
    """Mixin of the session: remembers the change that was shown, and its confirmation."""

    _change: ChangePlan | None = None
    _confirmed: bool | None = None

    def _step(
        self,
        step: Step | None,
        run: Callable[[ScreenJob], Awaitable[None]],
        *,
        changes: bool = False,
    ) -> None:
        raise NotImplementedError

    def _emit(self, event: Event) -> None:
        raise NotImplementedError

    def _hands_of(self, job: ScreenJob) -> AbstractContextManager[ScreenOperator]:
        raise NotImplementedError

    def plan_change(
        self,
        address: int,
        new_address: int | None,
        new_baud: int | None = None,
        new_parity: Parity | None = None,
        new_stop_bits: int | None = None,
    ) -> None:
        """Find out what a change would write, and whether it may be written now.

        Args:
            address: The device.
            new_address: Its address afterwards; here and below: as it is where None.
            new_baud: Its rate afterwards [bit/s].
            new_parity: Its parity afterwards.
            new_stop_bits: Its stop bits afterwards.
        """

        async def run(job: ScreenJob) -> None:
            self._change = None
            await job.settle(address)
            line = job.bus.line
            after = LineSettings(
                new_baud or line.baud, new_parity or line.parity, new_stop_bits or line.stop_bits
            )
            place = f"address {new_address or address}"
            if after != line:
                place += f", {after}"
            intent = (
                f"Listens, makes sure that one device answers at address {address} and nobody at "
                f"{place}. Nothing is written yet."
            )
            self._emit(StepStarted(Step.ADDRESSES, intent))
            self._change = plan = await job.plan_change(address, new_address, after)
            self._emit(ChangePlanned(plan))
            ready = f"Address {address} can become {place}; it waits for your confirmation."
            self._emit(StepFinished(Step.ADDRESSES, StepEnd.DONE, ready))

        self._step(Step.ADDRESSES, run)

    def change(self) -> None:
        """Write what was planned and shown: the technician confirmed it."""
        plan, self._change = self._change, None

        async def run(job: ScreenJob) -> None:
            if plan is None:
                raise InputError("No change was planned.", "Give the new address again.")
            with self._hands_of(job) as operator:
                await job.change(plan, "an answer at the screen", operator)

        self._step(Step.ADDRESSES, run, changes=True)

    def separate(
        self, address: int, new_address: int | None = None, plan_file: Path | None = None
    ) -> None:
        """Guide the separation of the meters that share an address.

        Args:
            address: The address.
            new_address: The new one; where None that of the plan, or the lowest free one.
            plan_file: The plan that is open, None without one.
        """

        async def run(job: ScreenJob) -> None:
            from busprobe.session.planning import planned_devices
            from busprobe.session.separating import separate

            planned = () if plan_file is None else planned_devices(job, plan_file)

            async def confirmed(plan: ChangePlan) -> str | None:
                self._confirmed = None
                self._emit(ChangePlanned(plan))
                while self._confirmed is None:
                    if job.should_stop():
                        return None
                    await job.bus.listen(_LOOK_AGAIN_NS)
                return "an answer at the screen" if self._confirmed else None

            with self._hands_of(job) as operator:
                await separate(job, address, new_address, operator, confirmed, planned)

        self._step(Step.ADDRESSES, run, changes=True)

    def confirm(self, yes: bool) -> None:
        """The technician confirms, or refuses, the change that a separation has come to."""
        self._confirmed = yes
