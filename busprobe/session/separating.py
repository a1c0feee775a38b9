"""Two meters at one address, as they left the factory: apart step by step, with somebody's hands.

    1  both are heard; which two they are is told as far as it can be known
    2  the technician disconnects one; the bus must show that exactly one is left
    3  its address is changed, after confirmation, as any other
    4  the technician connects the other again; both are heard, each alone at its address
    5  what to write on the labels

Of three or more, all but one are disconnected and come back one by one; the last keeps the address.

It may be stopped at every point, and then says in what state things are; begun again while one is
still disconnected it goes on from there.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.beside_answers import another_voice
from busprobe.diagnosis.catalogue import CAUTION_BUS
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.procedures.change_address import (
    ChangePlan,
    ChangeResult,
    ChangeState,
    ChangeStopped,
    Place,
    next_free,
)
from busprobe.procedures.change_check import somebody_at
from busprobe.procedures.listen_first import listen_first
from busprobe.procedures.operator import Deed, HandRequest, Operator
from busprobe.procedures.progress import ignore
from busprobe.profiles.match import settings_profile
from busprobe.session import findings as words
from busprobe.session.changing import done_by_hand, make_change, plan_change
from busprobe.session.events import (
    SeparationEnded,
    SeparationSeen,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.planning import planned_address
from busprobe.session.values import SeparatedMeter, SeparationResult, Stage

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork
    from busprobe.site.plan_parts import DevicePart

# Somebody who was asked so often does not know which wires they are.
_MOST_ASKED = 6

# Shown the plan; returns who confirmed it and how, or None where nobody does.
Confirm = Callable[[ChangePlan], Awaitable[str | None]]


class _Ended(Exception):
    """It goes no further; says why.

    Attributes:
        whole: Whether that is all there is to say.
    """

    def __init__(self, text: str, *, whole: bool = False) -> None:
        super().__init__(text)
        self.whole = whole


async def separate(
    job: MeterWork,
    address: int,
    new_address: int | None,
    operator: Operator,
    confirm: Confirm,
    planned: Sequence[DevicePart] = (),
) -> SeparationResult:
    """Give one of the meters at an address another one, and see both.

    Args:
        job: The job on the bus.
        address: The address that they share.
        new_address: The new one; where None the planned one of the meter, or the lowest free one.
        operator: Disconnects and connects.
        confirm: Asked before anything is written.
        planned: Who should be on the line.

    Raises:
        InputError: Nobody answers there, or another master talks; nothing was touched.
    """
    work = _Separation(job, address, new_address, operator, confirm, tuple(planned))
    return await work.run()


@dataclass
class _Separation:
    """A separation under way."""

    job: MeterWork
    address: int
    new_address: int | None
    operator: Operator
    confirm: Confirm
    planned: tuple[DevicePart, ...] = ()
    stage: Stage = Stage.SHARED
    serials: tuple[str, ...] = ()
    meters: list[SeparatedMeter] = field(default_factory=list)
    changes: list[tuple[ChangePlan, ChangeResult | None, str]] = field(default_factory=list)
    _left: Device | None = None
    _off: int = 0

    async def run(self) -> SeparationResult:
        """All steps, or as many as go."""
        job = self.job
        job.emit(StepStarted(Step.ADDRESSES, self._intent()))
        try:
            await self._two()
            left = await self._one_left()
            await self._give_address(left, self.new_address)
            while self._off > 1:
                # Each of them comes back alone, and gets an address of its own.
                left = await self._one_back()
                await self._give_address(left, None)
            await self._all_back()
        except _Ended as ended:
            text = str(ended) if ended.whole else f"{ended} {self._standing()}"
            return self._finish(text, StepEnd.FAILED)
        except ChangeStopped:
            return self._finish(f"Stopped. {self._standing()}", StepEnd.STOPPED)
        except InputError as error:
            if self.stage is Stage.SHARED:
                job.emit(SeparationEnded(self._result(str(error))))
                raise
            return self._finish(f"{error} {self._standing()}", StepEnd.FAILED)
        except BaseException:
            broken = self._result(f"Interrupted. {self._standing()}")
            job.emit(SeparationEnded(replace(broken, interrupted=True)))
            raise
        told = ", ".join(f"{_name(m.device)} at address {m.device.address}" for m in self.meters)
        many = "Both answer" if len(self.meters) == 2 else f"All {len(self.meters)} answer"
        return self._finish(f"{many}, each alone: {told}. Write that on them.", StepEnd.DONE)

    def _intent(self) -> str:
        return (
            f"Looks which meters share address {self.address}, has one of them disconnected, "
            "changes the other after your confirmation, and looks at both. Nothing else is written."
        )

    def _finish(self, text: str, end: StepEnd) -> SeparationResult:
        result = self._result(text)
        self.job.emit(SeparationEnded(result))
        self.job.emit(StepFinished(Step.ADDRESSES, end, text))
        return result

    def _result(self, text: str) -> SeparationResult:
        return SeparationResult(
            self.stage,
            text,
            self.address,
            self.serials,
            tuple(self.meters),
            tuple(self.changes),
        )

    def _standing(self) -> str:
        """In what state things are, when it goes no further."""
        address = self.address
        if self.stage is Stage.SHARED:
            return (
                f"Nothing was written. Whoever shares address {address} still does; put bus wires "
                "back that you took off."
            )
        loose = self._others()
        if self.stage is Stage.ONE_LEFT:
            left = "One meter" if self._left is None else _name(self._left)
            wrote = any(result is not None for _, result, _ in self.changes)
            return (
                f"{'Nothing has changed' if wrote else 'Nothing was written'}: {left} answers at "
                f"address {address} as before, and "
                f"{loose} disconnected. Connect what is off, or begin this again while it "
                "is off: it goes on from here."
            )
        done = "; ".join(f"{_name(m.device)} has address {m.device.address} now"
                         for m in self.meters if m.changed)  # fmt: skip
        return (
            f"{done + '. ' if done else ''}{loose[0].upper()}{loose[1:]} perhaps still off, with "
            f"address {address}: connect what is off, then test address {address} for a second "
            "device."
        )

    def _others(self) -> str:
        """Who is off, with a verb."""
        if self._off > 1:
            return f"{self._off} meters are"
        known = {m.device.identity.serial for m in self.meters}
        if self._left is not None:
            known.add(self._left.identity.serial)
        rest = [serial for serial in self.serials if serial not in known]
        if len(rest) == 1 and len(known) == 1:
            return f"the other meter (serial number {rest[0]}) is"
        return "the other meter is"

    def _tell(self, text: str) -> None:
        self.job.emit(SeparationSeen(self.stage, text))

    async def _ask(self, deed: Deed, text: str) -> None:
        request = HandRequest(text, deed=deed, address=self.address)
        if not await done_by_hand(self.job, self.operator, request):
            if self.job.should_stop():
                raise ChangeStopped
            raise _Ended("It was not done.")

    async def _look(self, address: int) -> DuplicateVerdict:
        """Who answers; before something is written, one voice must be heard, and no piece more."""
        before = len(self.job.exchanges)
        verdict = await self.job.look_for_duplicate(
            self.job.devices.get(address, Device(address)), Step.ADDRESSES
        )
        if self.job.should_stop():
            raise ChangeStopped
        if verdict.verdict == "single" and another_voice(self.job.exchanges[before:], address):
            return replace(verdict, verdict="undecided")
        return verdict

    async def _identified(self, address: int) -> Device:
        """Who is there now, whatever was known before."""
        self.job.forget(address)
        device = replace(await self.job.known(address), duplicate="single")
        self.job.know(device)
        return device

    # The steps -------------------------------------------------------------------------------

    async def _two(self) -> None:
        """Hear who shares the address."""
        job, address = self.job, self.address
        if not job.bus.is_serial:
            raise InputError(words.NOT_SERIAL, words.NOT_SERIAL_NEXT)
        await job.settle(address)
        manners = await listen_first(job.bus, LISTEN_FIRST_NS / 1e9, ignore, job.should_stop)
        if manners.master:
            raise InputError(
                "Another master is talking on this line.",
                "Switch it off or unplug it, then try again.",
            )
        verdict = await self._look(address)
        self.serials = verdict.serials
        if verdict.verdict == "silent":
            raise InputError(
                f"Nobody answers at address {address}.",
                "Connect one of the meters, or give the address that they share.",
            )
        if verdict.verdict == "single":
            self._tell(f"Only one device answers at address {address}.")
            question = (
                f"Only one device answers at address {address}. Have you disconnected the other "
                "one already?"
            )
            request = HandRequest(question, deed=Deed.LOOK, address=address)
            if not await done_by_hand(job, self.operator, request):
                raise _Ended(
                    f"Only one device answers at address {address}: nobody shares it. Nothing was "
                    "written.",
                    whole=True,
                )
            self._off = 1
            self.stage = Stage.ONE_LEFT
            return
        heard = f" (serial numbers {' and '.join(self.serials)})" if self.serials else ""
        sure = "answers" if verdict.verdict == "duplicate" else "may answer"
        self._tell(f"More than one device {sure} at address {address}{heard}.")

    async def _one_left(self) -> Device:
        """Have all but one disconnected, and see it on the bus."""
        address = self.address
        verdict = None if self.stage is Stage.SHARED else "single"
        which = f" (serial numbers {' and '.join(self.serials)})" if self.serials else ""
        deed, wish = (
            Deed.DISCONNECT,
            f"Disconnect the bus wires (A and B) of ONE of the meters at address {address}{which}, "
            f"{self._easier()}. {CAUTION_BUS}",
        )
        for _ in range(_MOST_ASKED):
            if verdict == "single":
                break
            await self._ask(deed, wish)
            self._off += 1 if deed is Deed.DISCONNECT else -1
            verdict = (await self._look(address)).verdict
            if verdict == "silent":
                deed, wish = (
                    Deed.RECONNECT,
                    f"Nobody answers at address {address} now: connect one of the meters again. "
                    f"{CAUTION_BUS}",
                )
            elif verdict != "single":
                deed, wish = (
                    Deed.DISCONNECT,
                    f"Still more than one device answers at address {address}: disconnect the bus "
                    f"wires of one more. {CAUTION_BUS}",
                )
        else:
            raise _Ended(f"It could not be seen that one device is left at address {address}.")
        self.stage = Stage.ONE_LEFT
        self._left = device = await self._identified(address)
        serial = device.identity.serial
        known = " It is none of those heard before." if self.serials and serial and (
            serial not in self.serials
        ) else ""  # fmt: skip
        self._tell(f"Exactly one is left at address {address}: {_name(device)}.{known}")
        return device

    def _easier(self) -> str:
        """Which of them to disconnect first: who keeps the address by the plan, where it says."""
        stays = [
            p.serial for p in self.planned if p.address == self.address and p.serial in self.serials
        ]
        if stays and self.new_address is None:
            return f"best that of {stays[0]}, which keeps this address by the plan"
        return "whichever is easier to reach"

    async def _give_address(self, device: Device, wanted: int | None) -> None:
        """Change the one that is left."""
        job = self.job
        new = wanted or await self._planned_address(device) or await self._free_address(device)
        plan = await plan_change(job, self.address, new, None)
        self.changes.append((plan, None, ""))
        by = await self.confirm(plan)
        if by is None:
            if job.should_stop():
                raise ChangeStopped
            raise _Ended("The change was not confirmed.")
        self._tell(words.change_intent(plan))
        result = await make_change(job, plan, by, self.operator, as_step=False)
        self.changes[-1] = (plan, result, by)
        if result.state not in (ChangeState.UNCHANGED, ChangeState.ROLLED_BACK):
            self.stage = Stage.CHANGED
            self._left = None
        if result.state is not ChangeState.CHANGED:
            raise _Ended(result.text)
        moved = job.devices[new]
        self.meters.append(SeparatedMeter(moved, job.bus.line, changed=True))
        self._tell(f"{_name(moved)} has address {new} now.")

    async def _planned_address(self, device: Device) -> int | None:
        """The one that this meter has by the plan, where nobody answers there."""
        new = planned_address(device, self.address, self.planned, self.job.devices)
        if new is None or await somebody_at(self.job.bus, Place(new, self.job.bus.line), tries=1):
            return None
        self._tell(f"By the plan {_name(device)} gets address {new}.")
        return new

    async def _free_address(self, device: Device) -> int:
        """The lowest address at which nobody is known and nobody answers."""
        profile = settings_profile(self.job.profiles(), device.identity, device.profile)
        how = None if profile is None else profile.settings
        taken = [self.address, *self.job.devices]
        while (new := next_free(taken, how)) is not None:
            if not await somebody_at(self.job.bus, Place(new, self.job.bus.line), tries=1):
                return new
            taken.append(new)
        raise _Ended("No free address is left.")

    async def _one_back(self) -> Device:
        """Have one of those that are off connected again, and see that it is alone."""
        address = self.address
        which = self._others().removesuffix(" is")
        if self._off > 1:
            which = f"ONE of the {self._off} meters that are off, and of no other,"
        wish = f"Connect the bus wires of {which} again. {CAUTION_BUS}"
        for _ in range(_MOST_ASKED):
            await self._ask(Deed.RECONNECT, wish)
            verdict = (await self._look(address)).verdict
            if verdict == "single":
                self._off -= 1
                self._left = device = await self._identified(address)
                self._compare(device)
                return device
            if verdict != "silent":
                raise _Ended(
                    f"More than one device answers at address {address} now. Begin again for those."
                )
            wish = (
                f"Nobody answers at address {address} yet: connect the bus wires of {which}, A to "
                f"A and B to B. {CAUTION_BUS}"
            )
        raise _Ended(f"Nobody answers at address {address}.")

    def _compare(self, device: Device) -> None:
        """Two devices have two serial numbers."""
        serial = device.identity.serial
        for meter in self.meters:
            if serial and meter.device.identity.serial == serial:
                raise _Ended(
                    f"Address {self.address} and address {meter.device.address} both tell serial "
                    f"number {serial}: this is one device, or they cannot be told apart."
                )

    async def _all_back(self) -> None:
        """Have the last one connected again, and see all of them."""
        last = await self._one_back()
        for number, meter in enumerate(self.meters):
            at = meter.device.address
            if (await self._look(at)).verdict != "single":
                raise _Ended(f"It is not certain that one device answers at address {at}.")
            again = await self._identified(at)
            before, after = meter.device.identity.serial, again.identity.serial
            if before and after and before != after:
                raise _Ended(f"At address {at} answers serial number {after} now, not {before}.")
            self.meters[number] = replace(meter, device=again)
        self.stage = Stage.SEPARATED
        self.meters.append(SeparatedMeter(last, self.job.bus.line, changed=False))
        self._tell("All answer, each alone at its address.")


def _name(device: Device) -> str:
    serial = device.identity.serial
    return f"{device.identity}, serial number {serial or 'unknown'}"
