"""Registers that change a device's own address or line settings, and what can go wrong with them.

No device has them unless its description says so.

A device has three sets of values: what its registers hold, what it has saved, and what is in force.
A write changes the first; when the others follow is the device's habit (`ChangeHabits`). All of
these habits are told of in public threads; none has a published source.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeVar

from busprobe.model.line import LineSettings, Parity
from busprobe_sim.meters.registers import NoSuchRegister

_DEVICE_FAILURE = 0x04
_ILLEGAL_VALUE = 0x03

ValueT = TypeVar("ValueT", int, str)
Effect = Literal["at-once", "after-save", "after-power-cycle"]
AnswersFrom = Literal["old", "new", "none"]


class WriteRefused(Exception):
    """The device refuses a write.

    Attributes:
        code: Exception code.
    """

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


@dataclass(frozen=True, slots=True)
class Key:
    """A register that wants one certain value, to unlock or to save."""

    register: int
    value: int


@dataclass(frozen=True, slots=True)
class ChangeHabits:
    """What a device does when its address or settings are written.

    Attributes:
        effect: When the new values come into force; at once where there is nothing to save, else
            after saving, where None.
        answers: Whether the write that moves it is answered from the old place, from the new one,
            or not at all.
        away_s: It restarts by itself and answers nobody for so long [s]; 0 when it does not.
        away_after_s: It goes on answering at the new place for so long before it restarts [s].
        forgets: It does not save: after a restart it is back at its old place.
        refuses_save: Exception code with which it refuses to save; 0 when it saves.
        ignores: It accepts the write, and its register goes on holding the old value.
    """

    effect: Effect | None = None
    answers: AnswersFrom = "old"
    away_s: float = 0.0
    away_after_s: float = 0.0
    forgets: bool = False
    refuses_save: int = 0
    ignores: bool = False


@dataclass(frozen=True, slots=True)
class SettingParameters:
    """Which registers change what.

    Attributes:
        address_register: Holds the device's address.
        baud_register: Holds a code for the rate, or None.
        baud_codes: Rate [bit/s] by code.
        parity_register: Holds a code for the parity, or None.
        parity_codes: Parity by code.
        stop_register: Holds a code for the stop bits, or None.
        stop_codes: Stop bits by code.
        unlock: Must be written first, or None.
        save: Must be written last, or None.
        addresses: Lowest and highest address it takes.
        habits: What it does then.
    """

    address_register: int
    baud_register: int | None = None
    baud_codes: Mapping[int, int] = field(default_factory=dict)
    parity_register: int | None = None
    parity_codes: Mapping[int, str] = field(default_factory=dict)
    stop_register: int | None = None
    stop_codes: Mapping[int, int] = field(default_factory=dict)
    unlock: Key | None = None
    save: Key | None = None
    addresses: tuple[int, int] = (1, 247)
    habits: ChangeHabits = ChangeHabits()

    @property
    def effect(self) -> Effect:
        """When new values come into force."""
        if self.habits.effect is not None:
            return self.habits.effect
        return "at-once" if self.save is None else "after-save"


@dataclass(frozen=True, slots=True)
class Moved:
    """New values came into force.

    Attributes:
        address: The address.
        settings: The line settings.
        answers: Where the write that did it is answered from; "old" after a restart.
        away_s: It restarts by itself and is away for so long [s]; 0 when it does not.
        away_after_s: So long after the write [s].
    """

    address: int
    settings: LineSettings
    answers: AnswersFrom = "old"
    away_s: float = 0.0
    away_after_s: float = 0.0


# Told what came into force, and the instant [ns].
Apply = Callable[[Moved, int], None]


class SettingRegisters:
    """The setting registers of one device.

    Args:
        parameters: Which registers change what.
        address: Present address.
        settings: Present line settings.
        apply: Called when other values come into force.
    """

    def __init__(
        self,
        parameters: SettingParameters,
        address: int,
        settings: LineSettings,
        apply: Apply,
    ) -> None:
        p = self._parameters = parameters
        self._apply = apply
        self._unlocked = p.unlock is None
        self._in_force = (address, settings)
        self._content = {p.address_register: address}
        for register, codes, now in (
            (p.baud_register, p.baud_codes, settings.baud),
            (p.parity_register, p.parity_codes, settings.parity.value),
            (p.stop_register, p.stop_codes, settings.stop_bits),
        ):
            if register is not None:
                by_value: dict[object, int] = {value: code for code, value in codes.items()}
                self._content[register] = by_value.get(now, 0)
        self._saved = dict(self._content)
        for key in (p.unlock, p.save):
            if key is not None:
                self._content.setdefault(key.register, 0)
        self._silent = False

    def holds(self, address: int, count: int) -> bool:
        """Whether all these registers are setting registers."""
        return all(place in self._content for place in range(address, address + count))

    def read(self, address: int, count: int) -> list[int]:
        """Contents of setting registers."""
        return [self._content[place] for place in range(address, address + count)]

    def write(self, address: int, values: list[int], now_ns: int) -> bool:
        """Write registers.

        Returns:
            Whether the write is answered.

        Raises:
            NoSuchRegister: Not all of them are setting registers.
            WriteRefused: Locked, or a value that the device does not take.
        """
        if not self.holds(address, len(values)):
            raise NoSuchRegister
        self._silent = False
        for place, value in enumerate(values, start=address):
            self._write_one(place, value, now_ns)
        return not self._silent

    def restart(self, now_ns: int) -> None:
        """Power was off and is on again: what was saved comes into force."""
        self._content |= self._saved
        self._unlocked = self._parameters.unlock is None
        self._put_in_force(now_ns, by_write=False)

    def _write_one(self, place: int, value: int, now_ns: int) -> None:
        p, habits = self._parameters, self._parameters.habits
        if p.unlock is not None and place == p.unlock.register:
            self._unlocked = value == p.unlock.value
            return
        if not self._unlocked:
            raise WriteRefused(_DEVICE_FAILURE)
        if p.save is not None and place == p.save.register:
            if habits.refuses_save:
                raise WriteRefused(habits.refuses_save)
            if value != p.save.value:
                raise WriteRefused(_ILLEGAL_VALUE)
            self._save()
            if p.effect == "after-save":
                self._put_in_force(now_ns, by_write=True)
            self._unlocked = p.unlock is None
            return
        self._check(place, value)
        if habits.ignores:
            return
        self._content[place] = value
        if p.save is None:
            self._save()
        if p.effect == "at-once":
            self._put_in_force(now_ns, by_write=True)

    def _check(self, place: int, value: int) -> None:
        p = self._parameters
        low, high = p.addresses
        if place == p.address_register and not low <= value <= high:
            raise WriteRefused(_ILLEGAL_VALUE)
        for register, codes in (
            (p.baud_register, p.baud_codes),
            (p.parity_register, p.parity_codes),
            (p.stop_register, p.stop_codes),
        ):
            if place == register and value not in codes:
                raise WriteRefused(_ILLEGAL_VALUE)

    def _save(self) -> None:
        if not self._parameters.habits.forgets:
            self._saved = {place: self._content[place] for place in self._saved}

    def _put_in_force(self, now_ns: int, *, by_write: bool) -> None:
        p, habits = self._parameters, self._parameters.habits
        before = self._in_force[1]
        settings = LineSettings(
            self._value(p.baud_register, p.baud_codes, before.baud),
            Parity(self._value(p.parity_register, p.parity_codes, before.parity.value)),
            self._value(p.stop_register, p.stop_codes, before.stop_bits),
        )
        now = (self._content[p.address_register], settings)
        if now == self._in_force:
            return
        self._in_force = now
        if not by_write:
            self._apply(Moved(*now), now_ns)
            return
        self._silent = habits.answers == "none"
        self._apply(Moved(*now, habits.answers, habits.away_s, habits.away_after_s), now_ns)

    def _value(
        self, register: int | None, codes: Mapping[int, ValueT], otherwise: ValueT
    ) -> ValueT:
        return otherwise if register is None else codes.get(self._content[register], otherwise)
