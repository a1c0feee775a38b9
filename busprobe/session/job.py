"""The job on one bus: what both faces command, and the events they get.

`Job` is asynchronous and knows no thread; the command line runs it to its end, the terminal
interface runs it on a thread of its own (`busprobe.session.session_thread`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
)
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings
from busprobe.procedures.change_plan import ChangePlan, ChangeResult
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.listen import Listening
from busprobe.procedures.operator import Operator
from busprobe.procedures.progress import Several
from busprobe.session import findings as words
from busprobe.session.changing import make_change, plan_change
from busprobe.session.events import (
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.line import LineWork, listen_to_line
from busprobe.session.reading import MeterWork
from busprobe.session.search import Search
from busprobe.session.values import FindPlan, FindResult, LineReport
from busprobe.session.wiring import prove_wiring


@dataclass
class Job(MeterWork):
    """Everything that is done on one bus, step by step."""

    _search: Search | None = None

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
        tests = Several(self.progress(Step.ADDRESSES), len(addresses), self.bus.now)
        for address in addresses:
            if self.should_stop():
                break
            await self.settle(address)
            device = self.devices.get(address) or Device(address)
            verdicts[address] = await self.look_for_duplicate(device, Step.ADDRESSES, tests.next())
        self.emit(
            StepFinished(
                Step.ADDRESSES,
                StepEnd.STOPPED if self.should_stop() else StepEnd.DONE,
                words.addresses_summary(verdicts),
            )
        )
        return verdicts

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
