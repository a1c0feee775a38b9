"""Gives a device another address or other line settings: the only procedure that writes.

    plan_change    what will be written, from the device's profile; nothing is sent
    check_change   refuses while another master talks, while two devices share the address, or while
                   somebody answers at the new place
    change         writes under a permit, follows the device on the link, and says where it is
    return_plan    the change that undoes a change

Rules:

1. Before the first write every register that will be changed is read: what it holds must be what
   the device is known to be set to. Registers that can only be written are believed.
2. A write that was not plainly answered is not repeated blindly: first the device is looked for,
   at every place where it may be by then (`ChangePlan.places`), and its register is read back.
3. Where the device is afterwards is found by asking at all these places, with patience: some
   devices restart for half a minute. At the new place it must stay, and carry the same serial
   number.
4. What failed half-way is written back. The end is one of `ChangeState`, and always was seen.

How devices behave is common practice from public threads, no source: they answer a write from the
old place, from the new one, or not at all; they move at once, after saving, after a restart of
their own, or when power is switched off and on; some forget.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from busprobe.bus.bus import MS, Bus
from busprobe.bus.permit import WritePermit
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange, Frame, Outcome
from busprobe.procedures.change_check import LISTEN_NS, check_change, never
from busprobe.procedures.change_plan import (
    ChangePlan,
    ChangeResult,
    ChangeState,
    ChangeStopped,
    Place,
    PlannedWrite,
    WriteKind,
    Written,
    next_free,
    offered_settings,
    plan_change,
    return_plan,
)
from busprobe.procedures.change_seek import PATIENCE_NS, Whereabouts
from busprobe.procedures.identify import identify
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.profiles.schema import DeviceProfile
from busprobe.wire import pdu, writing

__all__ = [
    "ChangePlan",
    "ChangeResult",
    "ChangeState",
    "ChangeStopped",
    "Place",
    "PlannedWrite",
    "WriteKind",
    "Written",
    "change",
    "check_change",
    "conclude_after_power",
    "next_free",
    "offered_settings",
    "plan_change",
    "return_plan",
]

# A device that stores a setting may need a moment before it answers again, and one that restarts a
# moment before it is gone. Common practice, no source.
_SETTLE_NS = 1_000 * MS
_STAY_NS = 3_000 * MS

ACCEPTED = "answered"
ACCEPTED_THERE = "answered from the new place"
FOUND_TAKEN = "not answered, but taken"
_TAKEN = (ACCEPTED, ACCEPTED_THERE, FOUND_TAKEN)


async def change(
    bus: Bus,
    plan: ChangePlan,
    permit: WritePermit,
    observe: Observer = ignore,
    *,
    should_stop: Callable[[], bool] = never,
    on_written: Callable[[Written], None] = lambda written: None,
    profiles: Sequence[DeviceProfile] = (),
) -> ChangeResult:
    """Write, then look where the device is; the link ends at the settings where it answers.

    A change that has begun is not left half-way: a wish to stop is heard before the first write
    only. It takes a few seconds, and up to two minutes where the device stays away.

    Args:
        bus: The bus, at the present settings of the device.
        plan: What was shown and confirmed.
        permit: Leave to write it, from `ChangePlan.permit`.
        observe: Told what is being done.
        should_stop: Asked before the first write.
        on_written: Told of each write as soon as its outcome is known.
        profiles: With these the device is identified again at its new place.

    Raises:
        ChangeStopped: It was stopped; nothing was written.
        InputError: A register holds something else than the profile says; nothing was written.
        LinkError: The link was lost; `on_written` tells what was written by then.
    """
    work = _Change(bus, plan, observe, permit, on_written, tuple(profiles))
    await work.compare_registers()
    if should_stop():
        raise ChangeStopped
    return await work.run()


async def conclude_after_power(
    bus: Bus,
    plan: ChangePlan,
    result: ChangeResult,
    observe: Observer = ignore,
    *,
    profiles: Sequence[DeviceProfile] = (),
) -> ChangeResult:
    """Look where the device is after it was switched off and on; nothing is written.

    Args:
        bus: The bus.
        plan: What was written.
        result: What `change` ended with: that it waits for power.
        observe: Told what is being done.
        profiles: With these the device is identified again.
    """
    work = _Change(bus, plan, observe, None, lambda written: None, tuple(profiles))
    work.written = list(result.written)
    where = await work.find(expected=plan.new)
    if where is None:
        return await work.lost()
    if where == plan.new:
        return await work.arrived()
    return work.result(
        ChangeState.UNCHANGED if where == plan.old else ChangeState.PARTLY,
        where,
        f"After switching off and on the device answers at {where}: it did not keep what was "
        "written.",
    )


@dataclass
class _Change(Whereabouts):
    """One change under way."""

    permit: WritePermit | None
    on_written: Callable[[Written], None]
    profiles: tuple[DeviceProfile, ...]
    written: list[Written] = field(default_factory=list)

    # Before ----------------------------------------------------------------------------------

    async def compare_registers(self) -> None:
        """The profile fits only if the registers hold what the device is set to."""
        address = self.plan.how.address
        places = {} if address is None else {address.register_: self.plan.device.address}
        places |= {w.register: w.before for w in self.plan.moves if w.before is not None}
        for register, expected in places.items():
            held = await self.read(register)
            if held is None or held == expected:
                # Some devices let these registers be written only.
                continue
            what = (
                f"not the address {expected}"
                if address is not None and register == address.register_
                else f"not {expected} as it should at {self.plan.settings}"
            )
            raise InputError(
                f"Register {register} holds {held}, {what}: the profile '{self.plan.profile}' does "
                "not fit this device.",
                "Nothing was written. Check the profile against the device's manual.",
            )

    # Writing ---------------------------------------------------------------------------------

    async def run(self) -> ChangeResult:
        """Make all writes, then find the device."""
        problem = ""
        for number, write in enumerate(self.plan.writes):
            self.observe(
                Progress(number, len(self.plan.writes), None, f"writing register {write.register}")
            )
            problem = await self._make(write)
            if problem:
                break
        self.observe(Progress(len(self.plan.writes), 0, None, "looking where the device is"))
        await self.bus.listen(_SETTLE_NS)
        return await self._conclude(problem)

    async def _make(self, write: PlannedWrite, tries: int = 2) -> str:
        """Make one write; returns what went wrong, or ""."""
        outcome = ""
        if write.kind is WriteKind.SAVE and not await self.answers(self.place, tries=2):
            # It has moved already, before anything was saved.
            await self.find(expected=self.plan.new)
        for _ in range(tries):
            sent_to = self.place
            exchange = await self._send(write)
            outcome = self._outcome(exchange, write)
            if outcome in (ACCEPTED, ACCEPTED_THERE) or outcome.startswith("exception"):
                self._note(write, exchange, outcome, sent_to)
                if outcome == ACCEPTED_THERE and write.place is not None:
                    await self.go(write.place)
                refused = f" It refused register {write.register} ({write.purpose}): {outcome}."
                return "" if outcome in _TAKEN else refused
            # Not plainly answered: look before anything else is written.
            where = await self.find(expected=write.place or self.place)
            taken = where is not None and await self._was_taken(write, sent_to, where)
            self._note(write, exchange, FOUND_TAKEN if taken else outcome, sent_to)
            if taken:
                return ""
            if where is None:
                return f" It answers nobody since register {write.register} was written."
        return f" Register {write.register} was written to without effect: {outcome}."

    async def _was_taken(self, write: PlannedWrite, sent_to: Place, where: Place) -> bool:
        """Whether a write that was not answered was taken all the same."""
        if write.kind is WriteKind.SETTING:
            if where == write.place and where != sent_to:
                return True
            return await self.read(write.register) == write.value
        # What saves may move the device.
        return where == self.plan.new != sent_to and self.plan.how.takes_effect == "after-save"

    async def _send(self, write: PlannedWrite) -> Exchange:
        if self.plan.how.write_function == int(pdu.FunctionCode.WRITE_SINGLE_REGISTER):
            request = writing.write_register(write.register, write.value)
        else:
            request = writing.write_registers(write.register, (write.value,))
        return await self.bus.exchange(
            self.place.address, request, listen_ns=LISTEN_NS, permit=self.permit
        )

    def _outcome(self, exchange: Exchange, write: PlannedWrite) -> str:
        answer = exchange.answer
        if answer is not None and answer.exception is not None:
            return f"exception {answer.exception:02X}"
        if exchange.outcome in (Outcome.ANSWERED, Outcome.CROWDED):
            return ACCEPTED
        moved = write.place is not None and write.place.address != self.place.address
        if moved and any(
            isinstance(piece, Frame)
            and piece.address == self.plan.new_address
            and pdu.matches(exchange.request.pdu, piece.pdu)
            for piece in exchange.pieces
        ):
            return ACCEPTED_THERE
        return str(exchange.outcome)

    def _note(self, write: PlannedWrite, exchange: Exchange, outcome: str, sent_to: Place) -> None:
        made = Written(write, exchange.number, outcome, sent_to.address)
        self.written.append(made)
        self.on_written(made)

    # How it ended ----------------------------------------------------------------------------

    async def _conclude(self, problem: str) -> ChangeResult:
        plan = self.plan
        where = await self.find(expected=self.place if problem else self._expected())
        if where is None:
            return await self.lost(problem)
        if where == plan.new and plan.new.may_sound_like(plan.old) and not await self.holds_new():
            await self.go(plan.old)
            where = plan.old
        if where == plan.new and not problem:
            return await self.arrived()
        if where == plan.new:
            return await self._roll_back(problem)
        if problem:
            took = any(w.outcome in _TAKEN for w in self._settings_written())
            return await (self._roll_back(problem) if took else self._unchanged(where, problem))
        if plan.how.takes_effect == "after-power-cycle" and where == plan.old:
            return await self._wait_for_power()
        # It may still be about to move.
        self.observe(Progress(0, 0, None, f"it still answers at {where}; giving it a moment"))
        await self.bus.listen(_STAY_NS)
        where = await self.find(expected=plan.new)
        if where is None:
            return await self.lost()
        if where == plan.new and (not where.may_sound_like(plan.old) or await self.holds_new()):
            return await self.arrived()
        return await self._did_not_move(plan.old if where.may_sound_like(plan.old) else where)

    def _expected(self) -> Place:
        waits = self.plan.how.takes_effect == "after-power-cycle"
        return self.plan.old if waits else self.plan.new

    def _settings_written(self) -> list[Written]:
        return [w for w in self.written if w.write.kind is WriteKind.SETTING]

    async def arrived(self) -> ChangeResult:
        """It answers at the new place: does it stay, is it the same, is the old place empty?"""
        plan = self.plan
        self.observe(Progress(0, 0, None, f"it answers at {plan.new}; making sure that it stays"))
        await self.bus.listen(_STAY_NS)
        if not await self.answers(plan.new):
            where = await self.find(expected=plan.new)
            if where is None:
                return await self.lost(f" It had answered at {plan.new} for a moment.")
            if where != plan.new:
                return self.result(
                    ChangeState.UNCHANGED if where == plan.old else ChangeState.PARTLY,
                    where,
                    f"The device answered at {self.name(plan.new)} for a moment and is back at "
                    f"{self.name(where)}: it did not keep the change.",
                )
        alike = plan.old.sounds_like(plan.new)
        if not alike and await self.answers(plan.old):
            await self.go(plan.new)
            alike = plan.old.may_sound_like(plan.new) and await self.surely_holds_new()
            if not alike:
                return self.result(ChangeState.UNCERTAIN, None, self.both_answer())
        await self.go(plan.new)
        return await self._compare_serial(alike=alike)

    async def _compare_serial(self, *, alike: bool) -> ChangeResult:
        plan = self.plan
        before = plan.device.identity.serial
        if not before:
            told = " Its serial number is not known, so it was not compared."
        else:
            self.observe(Progress(0, 0, None, "comparing its serial number"))
            found = await identify(self.bus, plan.new_address, self.profiles)
            after = found.device.identity.serial
            if after and after != before:
                return self.result(
                    ChangeState.UNCERTAIN,
                    None,
                    f"At {plan.new} answers a device with serial number {after}, not {before}: it "
                    "is another one. Search the whole line.",
                )
            told = (
                f" Its serial number is {before} as before."
                if after
                else f" Its serial number could not be read again (before: {before})."
            )
        return self.result(
            ChangeState.CHANGED,
            plan.new,
            f"The device answers at {self.name(plan.new)}{self.and_old(alike)}.{told}",
        )

    async def _wait_for_power(self) -> ChangeResult:
        plan = self.plan
        held = [(w, await self.read(w.register)) for w in plan.moves]
        forgot = [w for w, value in held if value is not None and value != w.value]
        if forgot:
            return await self._unchanged(
                plan.old, f" Register {forgot[0].register} does not hold what was written."
            )
        sure = (
            "its registers hold the new values"
            if all(value is not None for _, value in held)
            else "its registers cannot be read back"
        )
        return self.result(
            ChangeState.WAITS_FOR_POWER,
            plan.old,
            f"Everything was written, {sure}; it still answers at {self.name(plan.old)}. Switch "
            f"the device off and on: then it answers at {self.name(plan.new)}.",
        )

    async def _did_not_move(self, where: Place) -> ChangeResult:
        """All was accepted, and yet it stayed."""
        if where != self.plan.old:
            return await self._roll_back(f" It went to {where} only.")
        held = [await self.read(w.register) for w in self.plan.moves]
        old = all(
            value is not None and value == w.before
            for value, w in zip(held, self.plan.moves, strict=True)
        )
        if old:
            return await self._unchanged(
                where, " It accepted the writes, but its registers hold the old values again."
            )
        return await self._roll_back(
            " It accepted the writes, but did not move. Perhaps it wants to be switched off and "
            "on: then its profile should say 'takes_effect: after-power-cycle'."
        )

    async def _unchanged(self, where: Place, problem: str) -> ChangeResult:
        return self.result(
            ChangeState.UNCHANGED,
            where,
            f"Nothing was changed: the device answers at {self.name(where)} as before.{problem}",
        )

    async def lost(self, problem: str = "") -> ChangeResult:
        """Nobody answers anywhere."""
        await self.go(self.plan.old)
        asked = " nor at ".join(dict.fromkeys(self.name(place) for place in self.plan.places))
        made = ", ".join(f"{w.write.register} := {w.write.value}" for w in self.written)
        return self.result(
            ChangeState.UNCERTAIN,
            None,
            f"It is not clear where the device is: it answers neither at {asked}, asked for "
            f"{PATIENCE_NS / 1e9:.0f} s. Written was register {made}.{problem} Switch it off and "
            "on, then search the whole line.",
        )

    async def _roll_back(self, problem: str) -> ChangeResult:
        """Write the old values back, last one first."""
        plan = self.plan
        self.observe(Progress(0, 0, None, "writing the old values back"))
        saved = any(w.write.kind is WriteKind.SAVE and w.outcome in _TAKEN for w in self.written)
        taken = list(
            dict.fromkeys(w.write for w in self._settings_written() if w.outcome in _TAKEN)
        )
        moved = self.place == plan.new
        back = [w for w in plan.writes if w.kind is WriteKind.UNLOCK]
        for number in reversed(range(len(taken))):
            write = taken[number]
            if write.before is None:
                return await self._stuck(problem, moved=moved)
            back.append(
                replace(
                    write,
                    value=write.before,
                    purpose=f"the old value again, instead of {write.value}",
                    before=write.value,
                    place=taken[number - 1].place if number else plan.old,
                )
            )
        if saved:
            back += [w for w in plan.writes if w.kind is WriteKind.SAVE]
        for write in back:
            if refusal := await self._make(write, tries=1):
                if refusal not in problem:
                    problem += f" On writing back:{refusal}"
                return await self._stuck(problem, moved=moved)
        await self.bus.listen(_SETTLE_NS)
        where = await self.find(expected=plan.old)
        if where is None:
            return await self.lost(f"{problem} The old values were written back.")
        held = [await self.read(w.register) for w in taken]
        right = all(v is None or v == w.before for v, w in zip(held, taken, strict=True))
        if where != plan.old or not right:
            return await self._stuck(problem, moved=moved)
        return self.result(
            ChangeState.ROLLED_BACK,
            where,
            f"The change failed, and the old values were written back: the device answers at "
            f"{self.name(where)}.{problem}",
        )

    async def _stuck(self, problem: str, *, moved: bool) -> ChangeResult:
        """It could not be brought back: say what holds."""
        plan = self.plan
        where = await self.find(expected=plan.new if moved else plan.old)
        if where is None:
            return await self.lost(problem)
        if where == plan.new:
            return self.result(
                ChangeState.NOT_SAVED,
                where,
                f"The device answers at {self.name(where)} now, but did not save it, and could "
                f"not be brought back: without power it may forget it.{problem} Search again "
                "after it was switched off and on.",
            )
        if where != plan.old:
            return self.result(
                ChangeState.PARTLY,
                where,
                f"The device answers at {where} now: part of the change holds, and it could not "
                f"be brought back.{problem}",
            )
        return self.result(
            ChangeState.UNCERTAIN,
            where,
            f"The device still answers at its old place, {self.name(where)}, but holds a new "
            f"value in a register and did not take the old one back.{problem} When it is switched "
            f"off and on it may answer at {self.name(plan.new)}: search for both then.",
        )

    def result(self, state: ChangeState, where: Place | None, text: str) -> ChangeResult:
        """How it ended."""
        return ChangeResult(
            state,
            None if where is None else where.address,
            text,
            tuple(self.written),
            None if where is None else where.settings,
        )
