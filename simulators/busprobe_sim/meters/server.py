"""The Modbus server of a device: function codes, limits and exceptions.

Checks in the order of figure 9 of the MODBUS Application Protocol V1.1b3: function (01), then
quantity (03), then address (02), as the per-function figures draw it; some devices look at the
address first.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from busprobe_sim.meters.identification import DeviceIdentification
from busprobe_sim.meters.registers import NoSuchRegister, Registers
from busprobe_sim.meters.writing import SettingRegisters, WriteRefused

READ_HOLDING = 0x03
READ_INPUT = 0x04
WRITE_SINGLE = 0x06
DIAGNOSTICS = 0x08
WRITE_MULTIPLE = 0x10
REPORT_SERVER_ID = 0x11
ENCAPSULATED = 0x2B

ILLEGAL_FUNCTION = 0x01
ILLEGAL_ADDRESS = 0x02
ILLEGAL_VALUE = 0x03

# MODBUS Application Protocol V1.1b3, sections 6.3 and 6.12.
MOST_READ = 125
MOST_WRITTEN = 123


@dataclass(frozen=True, slots=True)
class ServerParameters:
    """What the firmware supports.

    Attributes:
        functions: Function codes it knows.
        read_limit: Most registers in one read.
        address_first: Whether it looks at the address before the quantity.
        server_id: Data of Report Server ID up to the run indicator.
        server_text: What follows the run indicator.
    """

    functions: tuple[int, ...] = (READ_HOLDING,)
    read_limit: int = MOST_READ
    address_first: bool = False
    server_id: bytes = b"\x01"
    server_text: bytes = b""


def exception(function: int, code: int) -> bytes:
    """An exception response PDU."""
    return bytes((function | 0x80, code))


class RegisterServer:
    """Serves registers.

    Args:
        registers: What functions 03 and 04 read.
        parameters: What the firmware supports.
        identification: Objects of Read Device Identification, or None.
        settings: Registers that can be written, or None.
    """

    def __init__(
        self,
        registers: Registers,
        parameters: ServerParameters,
        identification: DeviceIdentification | None = None,
        settings: SettingRegisters | None = None,
    ) -> None:
        self._registers = registers
        self._parameters = parameters
        self._identification = identification
        self._settings = settings

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        """Answer a request PDU; see `busprobe_sim.meters.base.Server`."""
        if not request:
            return None
        function = request[0]
        known = function in self._parameters.functions
        if function in (WRITE_SINGLE, WRITE_MULTIPLE):
            known = known and self._settings is not None
        if not known:
            return exception(function, ILLEGAL_FUNCTION)
        if function in (READ_HOLDING, READ_INPUT):
            return self._read(request, now_ns)
        if function == DIAGNOSTICS:
            return self._loop_back(request)
        if function == REPORT_SERVER_ID:
            data = self._parameters.server_id + b"\xff" + self._parameters.server_text
            return bytes((function, len(data))) + data
        if function == ENCAPSULATED and self._identification is not None:
            return self._identification.respond(request)
        if function == WRITE_SINGLE:
            return self._write_single(request, now_ns)
        if function == WRITE_MULTIPLE:
            return self._write_multiple(request, now_ns)
        return exception(function, ILLEGAL_FUNCTION)

    def _read(self, request: bytes, now_ns: int) -> bytes:
        function = request[0]
        if len(request) != 5:
            return exception(function, ILLEGAL_VALUE)
        address, quantity = struct.unpack(">HH", request[1:])
        legal = 1 <= quantity <= min(MOST_READ, self._parameters.read_limit)
        if not legal and not self._parameters.address_first:
            return exception(function, ILLEGAL_VALUE)
        try:
            if address + quantity > 0x10000:
                raise NoSuchRegister
            words = self._read_words(address, quantity, now_ns)
        except NoSuchRegister:
            return exception(function, ILLEGAL_ADDRESS)
        if not legal:
            return exception(function, ILLEGAL_VALUE)
        return bytes((function, 2 * quantity)) + _packed(words)

    def _read_words(self, address: int, quantity: int, now_ns: int) -> Sequence[int]:
        if self._settings is not None and self._settings.holds(address, quantity):
            return self._settings.read(address, quantity)
        return self._registers.read(address, quantity, now_ns)

    def _loop_back(self, request: bytes) -> bytes:
        """Diagnostics, sub-function 00 only: return query data."""
        if len(request) < 3 or request[1:3] != b"\0\0":
            return exception(request[0], ILLEGAL_FUNCTION)
        return request

    def _write_single(self, request: bytes, now_ns: int) -> bytes | None:
        if len(request) != 5:
            return exception(request[0], ILLEGAL_VALUE)
        address, value = struct.unpack(">HH", request[1:])
        return self._written(request[0], address, [value], now_ns, request)

    def _write_multiple(self, request: bytes, now_ns: int) -> bytes | None:
        function = request[0]
        if len(request) < 6:
            return exception(function, ILLEGAL_VALUE)
        address, quantity, count = struct.unpack(">HHB", request[1:6])
        right = 1 <= quantity <= MOST_WRITTEN and count == 2 * quantity == len(request) - 6
        if not right:
            return exception(function, ILLEGAL_VALUE)
        values = list(struct.unpack(f">{quantity}H", request[6:]))
        return self._written(function, address, values, now_ns, request[:5])

    def _written(
        self, function: int, address: int, values: list[int], now_ns: int, confirmation: bytes
    ) -> bytes | None:
        """Write, and confirm it, or say why not; some devices stay silent when they move."""
        assert self._settings is not None
        try:
            answered = self._settings.write(address, values, now_ns)
        except NoSuchRegister:
            return exception(function, ILLEGAL_ADDRESS)
        except WriteRefused as refusal:
            return exception(function, refusal.code)
        return confirmation if answered else None


def _packed(words: Sequence[int]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)
