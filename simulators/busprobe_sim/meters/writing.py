"""Registers that change a device's own address or line settings.

No device has them unless its description says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from busprobe_sim.meters.registers import NoSuchRegister

_DEVICE_FAILURE = 0x04
_ILLEGAL_VALUE = 0x03


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
class SettingParameters:
    """Which registers change what.

    Attributes:
        address_register: Holds the device's address.
        baud_register: Holds a code for the rate, or None.
        baud_codes: Rate [bit/s] by code.
        unlock: Must be written first, or None.
        save: Must be written last, or None.
        addresses: Lowest and highest address it takes.
    """

    address_register: int
    baud_register: int | None = None
    baud_codes: Mapping[int, int] = field(default_factory=dict)
    unlock: Key | None = None
    save: Key | None = None
    addresses: tuple[int, int] = (1, 247)


class SettingRegisters:
    """The setting registers of one device.

    Args:
        parameters: Which registers change what.
        address: Present address.
        baud: Present rate [bit/s].
        apply: Called with the new address and rate, and the instant [ns], once they hold; the
            response to the write still comes from the old address at the old rate.
    """

    def __init__(
        self,
        parameters: SettingParameters,
        address: int,
        baud: int,
        apply: Callable[[int, int, int], None],
    ) -> None:
        self._parameters = parameters
        self._apply = apply
        self._unlocked = parameters.unlock is None
        self._in_force = (address, baud)
        self._content = {parameters.address_register: address}
        if parameters.baud_register is not None:
            codes = {rate: code for code, rate in parameters.baud_codes.items()}
            self._content[parameters.baud_register] = codes.get(baud, 0)
        for key in (parameters.unlock, parameters.save):
            if key is not None:
                self._content.setdefault(key.register, 0)

    def holds(self, address: int, count: int) -> bool:
        """Whether all these registers are setting registers."""
        return all(place in self._content for place in range(address, address + count))

    def read(self, address: int, count: int) -> list[int]:
        """Contents of setting registers."""
        return [self._content[place] for place in range(address, address + count)]

    def write(self, address: int, values: list[int], now_ns: int) -> None:
        """Write registers.

        Raises:
            NoSuchRegister: Not all of them are setting registers.
            WriteRefused: Locked, or a value that the device does not take.
        """
        if not self.holds(address, len(values)):
            raise NoSuchRegister
        for place, value in enumerate(values, start=address):
            self._write_one(place, value, now_ns)

    def _write_one(self, place: int, value: int, now_ns: int) -> None:
        p = self._parameters
        if p.unlock is not None and place == p.unlock.register:
            self._unlocked = value == p.unlock.value
            return
        if not self._unlocked:
            raise WriteRefused(_DEVICE_FAILURE)
        if p.save is not None and place == p.save.register:
            if value != p.save.value:
                raise WriteRefused(_ILLEGAL_VALUE)
            self._put_in_force(now_ns)
            self._unlocked = p.unlock is None
            return
        low, high = p.addresses
        if place == p.address_register and not low <= value <= high:
            raise WriteRefused(_ILLEGAL_VALUE)
        if place == p.baud_register and value not in p.baud_codes:
            raise WriteRefused(_ILLEGAL_VALUE)
        self._content[place] = value
        if p.save is None:
            self._put_in_force(now_ns)

    def _put_in_force(self, now_ns: int) -> None:
        p = self._parameters
        address = self._content[p.address_register]
        baud = self._in_force[1]
        if p.baud_register is not None:
            baud = p.baud_codes.get(self._content[p.baud_register], baud)
        if (address, baud) != self._in_force:
            self._in_force = (address, baud)
            self._apply(address, baud, now_ns)
