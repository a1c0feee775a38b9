"""Gives a device another address or other line settings: the only procedure that writes.

    plan      what will be written, from the device's profile; nothing is sent
    check     refuses while another master talks, while two devices share the address, or while
              somebody answers at the new one
    change    writes under a permit, then looks where the device answers and says so

Whatever happens in between, the end is one of the states of `ChangeState`, found by asking at both
places; it is never assumed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from busprobe.bus.bus import MS, Bus
from busprobe.bus.manners import LISTEN_FIRST_NS, listen_before_talking
from busprobe.bus.permit import WritePermit
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.line import LineSettings
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.profiles.schema import DeviceProfile, Settings
from busprobe.wire import pdu, writing

# A device that stores a setting may need a moment before it answers again. Common practice, no
# source.
_SETTLE_NS = 1_000 * MS
_LISTEN_NS = 1_000 * MS
_TRIES = 3


class ChangeState(StrEnum):
    """How things stand after a change."""

    CHANGED = "changed"
    """The device answers at the new place, and nobody at the old one."""
    WAITS_FOR_POWER = "waits-for-power"
    """Everything was written; it takes effect when the device is switched off and on."""
    UNCHANGED = "unchanged"
    """The device answers at the old place, and nobody at the new one."""
    ROLLED_BACK = "rolled-back"
    """It failed half-way and the old value was written back; it answers at the old place."""
    UNCERTAIN = "uncertain"
    """Both places answer, or neither: somebody has to look."""


@dataclass(frozen=True, slots=True)
class PlannedWrite:
    """One register that will be written."""

    register: int
    value: int
    purpose: str


@dataclass(frozen=True, slots=True)
class ChangePlan:
    """What will be done.

    Attributes:
        device: The device as it is.
        new_address: Its address afterwards.
        settings: Line settings now.
        new_settings: Line settings afterwards.
        how: The part of the profile that says how.
        profile: Name of the profile.
        writes: In this order.
    """

    device: Device
    new_address: int
    settings: LineSettings
    new_settings: LineSettings
    how: Settings
    profile: str
    writes: tuple[PlannedWrite, ...]

    def permit(self, confirmed_by: str) -> WritePermit:
        """Leave to write exactly what is planned, and to write the old values back."""
        return WritePermit(
            self.device.address, frozenset(w.register for w in self.writes), confirmed_by
        )

    def lines(self) -> tuple[str, ...]:
        """The plan in words, one line for each write."""
        told = [
            f"register {w.register} := {w.value} ({w.value:04X}h), {w.purpose}" for w in self.writes
        ]
        told.append(f"takes effect {self.how.takes_effect.replace('-', ' ')}")
        if self.how.note:
            told.append(self.how.note)
        return tuple(told)


@dataclass(frozen=True, slots=True)
class Written:
    """A write that was made, and what came of it."""

    write: PlannedWrite
    exchange: int
    outcome: str


@dataclass(frozen=True, slots=True)
class ChangeResult:
    """How it ended.

    Attributes:
        state: How things stand.
        address: Where the device answers now, or None when that is not clear.
        text: One sentence for the technician.
        written: What was written.
    """

    state: ChangeState
    address: int | None
    text: str
    written: tuple[Written, ...]


def plan_change(
    device: Device,
    profile: DeviceProfile | None,
    settings: LineSettings,
    *,
    new_address: int | None = None,
    new_settings: LineSettings | None = None,
) -> ChangePlan:
    """Work out what has to be written.

    Raises:
        InputError: The profile does not say how, or the device does not take that value.
    """
    if profile is None or profile.settings is None:
        raise InputError(
            f"No profile says how the settings of {device.identity} are changed.",
            "Change them at the device itself, or write a profile (device_profiles/README.md).",
        )
    how = profile.settings
    address = device.address if new_address is None else new_address
    line = settings if new_settings is None else new_settings
    if (address, line) == (device.address, settings):
        raise InputError("Nothing would change.", "Give another address or other settings.")
    writes = [PlannedWrite(s.register_, s.value, "unlocks the settings") for s in how.unlock]
    if address != device.address:
        writes.append(_address_write(how, address))
    writes += _line_writes(how, settings, line)
    writes += [PlannedWrite(s.register_, s.value, "saves the settings") for s in how.save]
    return ChangePlan(device, address, settings, line, how, profile.name, tuple(writes))


def _address_write(how: Settings, address: int) -> PlannedWrite:
    place = how.address
    if place is None:
        raise InputError(
            "The address of this device cannot be changed over the bus.",
            "Change it at the device itself.",
        )
    if not place.lowest <= address <= place.highest:
        raise InputError(
            f"The device does not take address {address}.",
            f"Give one from {place.lowest} to {place.highest}.",
        )
    return PlannedWrite(place.register_, address, "its new address")


def _line_writes(how: Settings, old: LineSettings, new: LineSettings) -> list[PlannedWrite]:
    writes = []
    for label, place, before, after in (
        ("rate", how.baud, old.baud, new.baud),
        ("parity", how.parity, old.parity.value, new.parity.value),
        ("stop bits", how.stop_bits, old.stop_bits, new.stop_bits),
    ):
        if before == after:
            continue
        codes: dict[object, int] = (
            {} if place is None else {value: code for code, value in place.codes.items()}
        )
        if place is None or after not in codes:
            raise InputError(
                f"The device does not take {label} {after} over the bus.",
                f"Possible here: {', '.join(map(str, codes)) or 'no change at all'}.",
            )
        writes.append(PlannedWrite(place.register_, codes[after], f"its new {label}: {after}"))
    return writes


async def check_change(bus: Bus, plan: ChangePlan, observe: Observer = ignore) -> None:
    """Make sure that exactly one device will hear the change, and that its new place is free.

    Raises:
        InputError: It must not be done now; says why and what to do first.
    """
    address = plan.device.address
    observe(Progress(0, 3, None, "listening for another master"))
    manners = await listen_before_talking(bus, LISTEN_FIRST_NS)
    if manners.master:
        raise InputError(
            "Another master is talking on this line: a change now could be lost or misunderstood.",
            "Switch the other master off or unplug it, then try again.",
        )
    observe(Progress(1, 3, None, f"making sure that one device answers at address {address}"))
    verdict = await check_duplicate(bus, address, identity=plan.device)
    if verdict.verdict == "duplicate":
        serials = f" (serial numbers {', '.join(verdict.serials)})" if verdict.serials else ""
        raise InputError(
            f"More than one device answers at address {address}{serials}: all of them would take "
            "the new address.",
            "Disconnect the bus wires of all but one, then try again.",
        )
    if verdict.verdict != "single":
        raise InputError(
            f"It is {verdict.verdict} whether one device answers at address {address}.",
            "Disconnect every other device from the bus, then try again.",
        )
    if plan.new_address != address:
        observe(Progress(2, 3, None, f"making sure that address {plan.new_address} is free"))
        if await _somebody_at(bus, plan.new_address):
            raise InputError(
                f"Somebody answers at address {plan.new_address} already.",
                "Choose a free address: 'busprobe scan' shows which are taken.",
            )


async def change(
    bus: Bus, plan: ChangePlan, permit: WritePermit, observe: Observer = ignore
) -> ChangeResult:
    """Write, then look where the device is.

    Raises:
        InputError: The register that should hold the address holds something else; nothing was
            written.
    """
    await _compare_register(bus, plan)
    written: list[Written] = []
    failed = False
    for number, write in enumerate(plan.writes):
        observe(Progress(number, len(plan.writes), None, f"register {write.register}"))
        exchange = await _write(bus, plan, write.register, write.value, permit)
        answer = exchange.answer
        outcome = str(exchange.outcome)
        if answer is not None and answer.exception is not None:
            outcome = f"exception {answer.exception:02X}"
        written.append(Written(write, exchange.number, outcome))
        if exchange.outcome not in (Outcome.ANSWERED, Outcome.CROWDED):
            failed = True
            break
    await bus.listen(_SETTLE_NS)
    return await _conclude(bus, plan, permit, tuple(written), failed=failed)


async def _compare_register(bus: Bus, plan: ChangePlan) -> None:
    """The profile fits only if the address register holds the address now."""
    place = plan.how.address
    if place is None:
        return
    request = pdu.read_registers(plan.how.read_function, place.register_, 1)
    exchange = await bus.exchange(plan.device.address, request, listen_ns=_LISTEN_NS)
    answer = exchange.answer
    registers = None if answer is None else pdu.registers_of(request, answer.pdu)
    # Some devices let these registers be written only.
    if registers is not None and registers[0] != plan.device.address:
        raise InputError(
            f"Register {place.register_} holds {registers[0]}, not the address "
            f"{plan.device.address}: the profile '{plan.profile}' does not fit this device.",
            "Nothing was written. Check the profile against the device's manual.",
        )


async def _write(
    bus: Bus, plan: ChangePlan, register: int, value: int, permit: WritePermit
) -> Exchange:
    if plan.how.write_function == int(pdu.FunctionCode.WRITE_SINGLE_REGISTER):
        request = writing.write_register(register, value)
    else:
        request = writing.write_registers(register, (value,))
    return await bus.exchange(plan.device.address, request, listen_ns=_LISTEN_NS, permit=permit)


async def _conclude(
    bus: Bus,
    plan: ChangePlan,
    permit: WritePermit,
    written: tuple[Written, ...],
    *,
    failed: bool,
) -> ChangeResult:
    old, new = plan.device.address, plan.new_address
    at_new, at_old = await _where(bus, plan)
    if at_new and not at_old:
        where = (
            f"address {new}"
            if plan.settings == plan.new_settings
            else (f"address {new} with {plan.new_settings}")
        )
        return ChangeResult(ChangeState.CHANGED, new, f"The device answers at {where}.", written)
    if at_old and not at_new:
        if not failed and plan.how.takes_effect == "after-power-cycle":
            return ChangeResult(
                ChangeState.WAITS_FOR_POWER,
                old,
                "Everything was written. Switch the device off and on, then search again.",
                written,
            )
        return await _roll_back(bus, plan, permit, written)
    answer = "both places answer" if at_old else "neither place answers"
    return ChangeResult(
        ChangeState.UNCERTAIN,
        None,
        f"It is not clear where the device is: {answer}. Switch it off and on, then search the "
        "whole line.",
        written,
    )


async def _roll_back(
    bus: Bus, plan: ChangePlan, permit: WritePermit, written: tuple[Written, ...]
) -> ChangeResult:
    """Write the old value back where a new one was taken but has not taken effect."""
    place = plan.how.address
    took = [
        w
        for w in written
        if w.outcome == Outcome.ANSWERED
        and place is not None
        and w.write.register == place.register_
    ]
    refused = next((w for w in written if w.outcome.startswith("exception")), None)
    why = (
        ""
        if refused is None
        else f" It refused register {refused.write.register}: {refused.outcome}."
    )
    if took and place is not None:
        back = PlannedWrite(place.register_, plan.device.address, "its old address again")
        exchange = await _write(bus, plan, back.register, back.value, permit)
        made = (*written, Written(back, exchange.number, str(exchange.outcome)))
        if exchange.outcome is Outcome.ANSWERED:
            return ChangeResult(
                ChangeState.ROLLED_BACK,
                plan.device.address,
                f"The change did not take effect; the old address was written back.{why}",
                made,
            )
        return ChangeResult(
            ChangeState.UNCERTAIN,
            plan.device.address,
            "The device still answers at its old address, but holds the new one in its register "
            f"and did not take the old one back.{why} Switch it off and on, then search again.",
            made,
        )
    return ChangeResult(
        ChangeState.UNCHANGED,
        plan.device.address,
        f"Nothing was changed: the device answers at address {plan.device.address}.{why}",
        written,
    )


async def _where(bus: Bus, plan: ChangePlan) -> tuple[bool, bool]:
    """Whether somebody answers at the new place, and at the old one; ends at the new one."""
    old = plan.device.address
    at_old = False
    at_new = False
    if plan.settings != plan.new_settings:
        await bus.configure(plan.settings)
        at_old = await _somebody_at(bus, old)
        await bus.configure(plan.new_settings)
        at_new = await _somebody_at(bus, plan.new_address)
        if at_old and not at_new:
            await bus.configure(plan.settings)
        return at_new, at_old
    if plan.new_address != old:
        at_new = await _somebody_at(bus, plan.new_address)
        at_old = await _somebody_at(bus, old)
    return at_new, at_old


async def _somebody_at(bus: Bus, address: int) -> bool:
    for _ in range(_TRIES):
        for function in (3, 4):
            exchange = await bus.exchange(
                address, pdu.read_registers(function, 0, 2), listen_ns=_LISTEN_NS
            )
            if exchange.proves_device or exchange.outcome is Outcome.DAMAGED:
                return True
    return False


def next_free(taken: Sequence[int], how: Settings | None) -> int | None:
    """The lowest free address the device takes; the grid meter usually keeps address 1.

    Common practice, no source.
    """
    lowest, highest = 1, 247
    if how is not None and how.address is not None:
        lowest, highest = how.address.lowest, how.address.highest
    return next((a for a in range(max(2, lowest), highest + 1) if a not in taken), None)
