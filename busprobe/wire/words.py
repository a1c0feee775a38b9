"""What a PDU says, in words for a technician.

Addresses are shown as they are sent, counted from 0 (MODBUS Application Protocol V1.1b3, section
4.4: the item *numbered* X is *addressed* X-1).
"""

from __future__ import annotations

from collections.abc import Callable

from busprobe.model.device_text import device_text
from busprobe.wire.functions import (
    EXCEPTION_BIT,
    FunctionCode,
    Role,
    exception_name,
    function_name,
)
from busprobe.wire.pdu import (
    MOST_BITS,
    MOST_REGISTERS,
    bits_of,
    device_identification_of,
    registers_of,
)
from busprobe.wire.structure import lengths

_ITEMS = {
    FunctionCode.READ_COILS: ("coil", "coils"),
    FunctionCode.READ_DISCRETE_INPUTS: ("discrete input", "discrete inputs"),
    FunctionCode.READ_HOLDING_REGISTERS: ("holding register", "holding registers"),
    FunctionCode.READ_INPUT_REGISTERS: ("input register", "input registers"),
    FunctionCode.READ_WRITE_MULTIPLE_REGISTERS: ("holding register", "holding registers"),
    FunctionCode.WRITE_MULTIPLE_COILS: ("coil", "coils"),
    FunctionCode.WRITE_MULTIPLE_REGISTERS: ("holding register", "holding registers"),
}
# Section 6.8.1.
_DIAGNOSTICS = {
    0x00: "return query data (loop-back)",
    0x01: "restart communications option",
    0x02: "return diagnostic register",
    0x03: "change ASCII input delimiter",
    0x04: "force listen only mode",
    0x0A: "clear counters and diagnostic register",
    0x0B: "return bus message count",
    0x0C: "return bus communication error count",
    0x0D: "return bus exception error count",
    0x0E: "return server message count",
    0x0F: "return server no response count",
    0x10: "return server NAK count",
    0x11: "return server busy count",
    0x12: "return bus character overrun count",
    0x14: "clear overrun counter and flag",
}
# Section 6.21.
_IDENTIFICATION_CODES = {1: "basic", 2: "regular", 3: "extended", 4: "one object"}
_OBJECT_NAMES = (
    "VendorName",
    "ProductCode",
    "MajorMinorRevision",
    "VendorUrl",
    "ProductName",
    "ModelName",
    "UserApplicationName",
)
# So many values are written out.
_SHOWN = 16


def _word(pdu: bytes, at: int) -> int:
    return pdu[at] << 8 | pdu[at + 1]


def _which(function: int, address: int, quantity: int) -> str:
    one, many = _ITEMS[FunctionCode(function)]
    if quantity == 1:
        return f"{one} {address}"
    if quantity == 0 or address + quantity > 0x10000:
        return f"{quantity} {many} from {address} (an illegal range)"
    return f"{quantity} {many} {address} to {address + quantity - 1}"


def _listed(values: tuple[int, ...]) -> str:
    shown = ", ".join(f"{value} ({value:04X}h)" for value in values[:_SHOWN])
    return shown + (f" and {len(values) - _SHOWN} more" if len(values) > _SHOWN else "")


def _words(data: bytes) -> tuple[int, ...]:
    return tuple(_word(data, at) for at in range(0, len(data) - 1, 2))


def _read_request(pdu: bytes) -> str:
    function, address, quantity = pdu[0], _word(pdu, 1), _word(pdu, 3)
    most = MOST_BITS if function <= FunctionCode.READ_DISCRETE_INPUTS else MOST_REGISTERS
    remark = f", more than the {most} allowed" if quantity > most else ""
    return f"read {_which(function, address, quantity)}{remark}"


def _bits(pdu: bytes, request: bytes | None) -> str:
    bits = bits_of(request, pdu) if request else None
    if request is None or bits is None:
        return f"{_ITEMS[FunctionCode(pdu[0])][1]}, packed: {pdu[2:].hex(' ').upper()}"
    which = _which(pdu[0], _word(request, 1), len(bits))
    shown = " ".join(str(int(bit)) for bit in bits[: 4 * _SHOWN])
    return f"{which}: {shown}" + (" ..." if len(bits) > 4 * _SHOWN else "")


def _registers(pdu: bytes, request: bytes | None) -> str:
    values = registers_of(request, pdu) if request else None
    if request is None or values is None:
        one, many = _ITEMS[FunctionCode(pdu[0])]
        values = _words(pdu[2:])
        return f"{len(values)} {one if len(values) == 1 else many}: {_listed(values)}"
    return f"{_which(pdu[0], _word(request, 1), len(values))}: {_listed(values)}"


def _coil(pdu: bytes) -> str:
    value = {0xFF00: "on", 0x0000: "off"}.get(_word(pdu, 3), f"illegal value {_word(pdu, 3):04X}h")
    return f"coil {_word(pdu, 1)} to {value}"


def _register(pdu: bytes) -> str:
    return f"holding register {_word(pdu, 1)} to {_listed((_word(pdu, 3),))}"


def _mask(pdu: bytes) -> str:
    return (
        f"holding register {_word(pdu, 1)} by AND {_word(pdu, 3):04X}h and OR {_word(pdu, 5):04X}h"
    )


def _diagnostics(pdu: bytes) -> str:
    name = _DIAGNOSTICS.get(_word(pdu, 1), f"reserved sub-function {_word(pdu, 1):02X}h")
    return f"{name}, data {pdu[3:].hex(' ').upper()}"


def _write_many(pdu: bytes) -> str:
    which = _which(pdu[0], _word(pdu, 1), _word(pdu, 3))
    if pdu[0] == FunctionCode.WRITE_MULTIPLE_COILS:
        return f"write {which}: {pdu[6:].hex(' ').upper()}"
    return f"write {which}: {_listed(_words(pdu[6:]))}"


def _read_write(pdu: bytes) -> str:
    read = _which(pdu[0], _word(pdu, 1), _word(pdu, 3))
    written = _which(pdu[0], _word(pdu, 5), _word(pdu, 7))
    return f"write {written}: {_listed(_words(pdu[10:]))}; then read {read}"


def _identification_request(pdu: bytes) -> str:
    return (
        f"read device identification: {_IDENTIFICATION_CODES[pdu[2]]}, from object {pdu[3]:02X}h"
        if pdu[2] != 4
        else f"read device identification: object {pdu[3]:02X}h"
    )


def _identification(pdu: bytes) -> str:
    found = device_identification_of(pdu)
    if found is None:
        return "device identification whose objects do not fill it"
    objects = ", ".join(
        f"{_OBJECT_NAMES[o.object_id] if o.object_id < 7 else f'object {o.object_id:02X}h'}"
        f" '{device_text(o.value)}'"
        for o in found.objects
    )
    more = f"; more from object {found.next_object:02X}h" if found.more_follows else ""
    return f"device identification: {objects or 'no objects'}{more}"


_F = FunctionCode
_REQUEST_WORDS: dict[int, Callable[[bytes], str]] = {
    _F.READ_COILS: _read_request,
    _F.READ_DISCRETE_INPUTS: _read_request,
    _F.READ_HOLDING_REGISTERS: _read_request,
    _F.READ_INPUT_REGISTERS: _read_request,
    _F.WRITE_SINGLE_COIL: lambda pdu: "write " + _coil(pdu),
    _F.WRITE_SINGLE_REGISTER: lambda pdu: "write " + _register(pdu),
    _F.DIAGNOSTICS: lambda pdu: "diagnostics: " + _diagnostics(pdu),
    _F.WRITE_MULTIPLE_COILS: _write_many,
    _F.WRITE_MULTIPLE_REGISTERS: _write_many,
    _F.MASK_WRITE_REGISTER: lambda pdu: "change " + _mask(pdu),
    _F.READ_WRITE_MULTIPLE_REGISTERS: _read_write,
    _F.READ_FIFO_QUEUE: lambda pdu: f"read FIFO queue at {_word(pdu, 1)}",
    _F.ENCAPSULATED_INTERFACE: _identification_request,
}
_RESPONSE_WORDS: dict[int, Callable[[bytes, bytes | None], str]] = {
    _F.READ_COILS: _bits,
    _F.READ_DISCRETE_INPUTS: _bits,
    _F.READ_HOLDING_REGISTERS: _registers,
    _F.READ_INPUT_REGISTERS: _registers,
    _F.READ_WRITE_MULTIPLE_REGISTERS: _registers,
    _F.WRITE_SINGLE_COIL: lambda pdu, _: "has set " + _coil(pdu),
    _F.WRITE_SINGLE_REGISTER: lambda pdu, _: "has set " + _register(pdu),
    _F.READ_EXCEPTION_STATUS: lambda pdu, _: f"exception status {pdu[1]:08b}",
    _F.DIAGNOSTICS: lambda pdu, _: "diagnostics: " + _diagnostics(pdu),
    _F.GET_COMM_EVENT_COUNTER: lambda pdu, _: (
        f"{_word(pdu, 3)} events counted, {'busy' if _word(pdu, 1) else 'ready'}"
    ),
    _F.GET_COMM_EVENT_LOG: lambda pdu, _: (
        f"{_word(pdu, 4)} events and {_word(pdu, 6)} messages counted;"
        f" latest events: {pdu[8:].hex(' ').upper() or 'none'}"
    ),
    _F.WRITE_MULTIPLE_COILS: lambda pdu, _: (
        "has written " + _which(pdu[0], _word(pdu, 1), _word(pdu, 3))
    ),
    _F.WRITE_MULTIPLE_REGISTERS: lambda pdu, _: (
        "has written " + _which(pdu[0], _word(pdu, 1), _word(pdu, 3))
    ),
    _F.REPORT_SERVER_ID: lambda pdu, _: f"server ID, raw: {pdu[2:].hex(' ').upper()}",
    _F.MASK_WRITE_REGISTER: lambda pdu, _: "has changed " + _mask(pdu),
    _F.READ_FIFO_QUEUE: lambda pdu, _: f"{_word(pdu, 3)} queued: {_listed(_words(pdu[5:]))}",
    _F.ENCAPSULATED_INTERFACE: lambda pdu, _: _identification(pdu),
}


def describe(pdu: bytes, role: Role, request: bytes | None = None) -> str:
    """Say what a PDU says.

    Args:
        pdu: Function code and data.
        role: Request or response.
        request: The request that a response answers, if known: then addresses can be named.

    Returns:
        One phrase without a full stop. Text from the device is made safe to show.
    """
    if not pdu:
        return "an empty PDU"
    name = function_name(pdu[0])
    if role is Role.RESPONSE and pdu[0] & EXCEPTION_BIT and len(pdu) == 2:
        return f"refuses {name}: {exception_name(pdu[1])} (exception {pdu[1]:02X})"
    if lengths(pdu, role) != len(pdu):
        return f"{name}, with a structure of its own: {pdu[1:].hex(' ').upper()}"
    if role is Role.REQUEST:
        asked = _REQUEST_WORDS.get(pdu[0])
        return asked(pdu) if asked else name
    told = _RESPONSE_WORDS.get(pdu[0])
    return told(pdu, request) if told else f"{name}: {pdu[1:].hex(' ').upper()}"
