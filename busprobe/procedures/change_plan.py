"""What a change of address or line settings writes, and what can come of it; nothing is sent."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import product

from busprobe.bus.permit import WritePermit
from busprobe.model.device import Device
from busprobe.model.errors import InputError, Stopped
from busprobe.model.line import LineSettings, Parity
from busprobe.profiles.schema import DeviceProfile, Settings
from busprobe.profiles.uniform import INVERTERS


class ChangeStopped(Stopped):
    """The technician stopped before anything was written."""

    def __init__(self) -> None:
        super().__init__("Stopped: nothing was written.", "Begin again when you are ready.")


class ChangeState(StrEnum):
    """How things stand after a change."""

    CHANGED = "changed"
    """The device answers at the new place and stays there, and nobody at the old one."""
    WAITS_FOR_POWER = "waits-for-power"
    """Everything was written; it takes effect when the device is switched off and on."""
    UNCHANGED = "unchanged"
    """The device answers at the old place and holds its old settings."""
    ROLLED_BACK = "rolled-back"
    """It failed half-way and the old values were written back; it answers at the old place."""
    NOT_SAVED = "not-saved"
    """It answers at the new place, but did not save it: without power it may forget it."""
    PARTLY = "partly"
    """Some of the settings hold, others do not; where it answers is known."""
    UNCERTAIN = "uncertain"
    """Nobody answers anywhere, or two answer, or another device does: somebody has to look."""
    INTERRUPTED = "interrupted"
    """The link was lost or the program stopped after a write: nobody looked where it answers."""


class WriteKind(StrEnum):
    """What a write is for."""

    UNLOCK = "unlock"
    SETTING = "setting"
    SAVE = "save"


@dataclass(frozen=True, slots=True)
class PlannedWrite:
    """One register that will be written.

    Attributes:
        register: 0-based, as sent.
        value: What is written.
        purpose: What for, in words.
        kind: What for.
        before: What it should hold until then, None where nothing says so.
        place: Where the device answers once this is in force, None where it does not move it.
    """

    register: int
    value: int
    purpose: str
    kind: WriteKind = WriteKind.SETTING
    before: int | None = None
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where a device answers."""

    address: int
    settings: LineSettings

    def __str__(self) -> str:
        return f"address {self.address}, {self.settings}"

    def sounds_like(self, other: Place) -> bool:
        """Whether an answer cannot tell the two apart: receivers look at one stop bit only.

        Modbus over Serial Line V1.02, section 2.5.1.1, has two stop bits stand in for a parity
        bit; that receivers check the first alone is common practice, no source.
        """
        mine = (self.address, self.settings.baud, self.settings.parity)
        return mine == (other.address, other.settings.baud, other.settings.parity)

    def may_sound_like(self, other: Place) -> bool:
        """Whether an answer may not tell the two apart: only the format differs.

        Some devices take a request without looking at the parity, and some adapters hand over what
        they hear with a wrong parity or stop bit. Common practice, no source.
        """
        return (self.address, self.settings.baud) == (other.address, other.settings.baud)


# Common practice, no source.
CAUTION_INVERTER = (
    "Caution: this device is an inverter. It may restart when its settings change and stop feeding "
    "in meanwhile, and an energy manager that misses it may act on that. Agree on a moment for it."
)


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

    @property
    def old(self) -> Place:
        """Where the device answers now."""
        return Place(self.device.address, self.settings)

    @property
    def new(self) -> Place:
        """Where it is to answer."""
        return Place(self.new_address, self.new_settings)

    @property
    def moves(self) -> tuple[PlannedWrite, ...]:
        """The writes that change a setting."""
        return tuple(w for w in self.writes if w.kind is WriteKind.SETTING)

    @property
    def places(self) -> tuple[Place, ...]:
        """Everywhere it may answer on the way: the old place first, the new one last."""
        return (self.old, *(w.place for w in self.moves if w.place is not None))

    def permit(self, confirmed_by: str) -> WritePermit:
        """Leave to write exactly what is planned, and to write the old values back."""
        return WritePermit(
            self.device.address,
            frozenset(w.register for w in self.writes),
            confirmed_by,
            self.new_address,
        )

    def lines(self) -> tuple[str, ...]:
        """The plan in words, one line for each write."""
        told = [
            f"register {w.register} := {w.value} ({w.value:04X}h), {w.purpose}" for w in self.writes
        ]
        told.append(f"takes effect {self.how.takes_effect.replace('-', ' ')}")
        if self.settings != self.new_settings:
            told.append(
                f"its line settings become {self.new_settings}; whoever stays at {self.settings} "
                "cannot talk to it then"
            )
        if self.how.note:
            told.append(self.how.note)
        if self.caution:
            told.append(self.caution)
        return tuple(told)

    @property
    def caution(self) -> str:
        """What a change may set off beside the bus, "" for a device that only measures."""
        known = self.device.sunspec
        models = () if known is None else known.models
        return CAUTION_INVERTER if any(m.model_id in INVERTERS for m in models) else ""


@dataclass(frozen=True, slots=True)
class Written:
    """A write that was made, and what came of it.

    Attributes:
        write: What was written.
        exchange: Number of the exchange.
        outcome: What came of it, in a word or two.
        address: The address that it was sent to.
    """

    write: PlannedWrite
    exchange: int
    outcome: str
    address: int = 0


@dataclass(frozen=True, slots=True)
class ChangeResult:
    """How it ended.

    Attributes:
        state: How things stand.
        address: Where the device answers now, or None when that is not clear.
        text: One sentence or two for the technician.
        written: What was written.
        settings: Line settings at which it answers, or None when that is not clear.
    """

    state: ChangeState
    address: int | None
    text: str
    written: tuple[Written, ...]
    settings: LineSettings | None = None


def plan_change(
    device: Device,
    profile: DeviceProfile | None,
    settings: LineSettings,
    *,
    new_address: int | None = None,
    new_settings: LineSettings | None = None,
) -> ChangePlan:
    """Work out what has to be written.

    Args:
        device: The device as it is.
        profile: Says how its settings are changed.
        settings: Line settings now.
        new_address: Its address afterwards; as it is where None.
        new_settings: Line settings afterwards; as they are where None.

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
    writes = [
        PlannedWrite(s.register_, s.value, "unlocks the settings", WriteKind.UNLOCK)
        for s in how.unlock
    ]
    if address != device.address:
        writes.append(_address_write(how, device.address, address, settings))
    writes += _line_writes(how, settings, line, address)
    writes += [
        PlannedWrite(s.register_, s.value, "saves the settings", WriteKind.SAVE) for s in how.save
    ]
    return ChangePlan(device, address, settings, line, how, profile.name, tuple(writes))


def return_plan(plan: ChangePlan) -> ChangePlan:
    """The change that undoes another one, once that is in force; it is confirmed by itself.

    Raises:
        InputError: The device does not take its old settings over the bus.
    """
    how = plan.how
    device = replace(plan.device, address=plan.new_address)
    writes = [w for w in plan.writes if w.kind is WriteKind.UNLOCK]
    if plan.new_address != plan.device.address:
        writes.append(_address_write(how, plan.new_address, plan.device.address, plan.new_settings))
    writes += _line_writes(how, plan.new_settings, plan.settings, plan.device.address)
    writes += [w for w in plan.writes if w.kind is WriteKind.SAVE]
    return ChangePlan(
        device, plan.device.address, plan.new_settings, plan.settings, how, plan.profile,
        tuple(writes),
    )  # fmt: skip


def offered_settings(how: Settings, now: LineSettings) -> tuple[LineSettings, ...]:
    """All line settings that a device takes over the bus, those of now first.

    What the device does not offer to change stays as it is now.
    """
    rates = sorted(set(how.baud.codes.values())) if how.baud else [now.baud]
    parities = sorted(set(how.parity.codes.values())) if how.parity else [now.parity.value]
    stops = sorted(set(how.stop_bits.codes.values())) if how.stop_bits else [now.stop_bits]
    every = [LineSettings(b, Parity(p), s) for b, p, s in product(rates, parities, stops)]
    return (now, *(settings for settings in every if settings != now))


def _address_write(how: Settings, old: int, address: int, settings: LineSettings) -> PlannedWrite:
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
    return PlannedWrite(
        place.register_, address, "its new address",
        before=old, place=Place(address, settings),
    )  # fmt: skip


def _line_writes(
    how: Settings, old: LineSettings, new: LineSettings, address: int
) -> list[PlannedWrite]:
    writes = []
    for label, place, before, after, step in (
        ("rate", how.baud, old.baud, new.baud, replace(old, baud=new.baud)),
        ("parity", how.parity, old.parity.value, new.parity.value,
         LineSettings(new.baud, new.parity, old.stop_bits)),
        ("stop bits", how.stop_bits, old.stop_bits, new.stop_bits, new),
    ):  # fmt: skip
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
        writes.append(
            PlannedWrite(
                place.register_,
                codes[after],
                f"its new {label}: {after}",
                before=codes.get(before),
                place=Place(address, step),
            )
        )
    return writes


def next_free(taken: Sequence[int], how: Settings | None) -> int | None:
    """The lowest free address the device takes; the grid meter usually keeps address 1.

    Common practice, no source.
    """
    lowest, highest = 1, 247
    if how is not None and how.address is not None:
        lowest, highest = how.address.lowest, how.address.highest
    return next((a for a in range(max(2, lowest), highest + 1) if a not in taken), None)
