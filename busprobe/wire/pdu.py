"""Requests that only read, and what responses say.

Source: MODBUS Application Protocol Specification V1.1b3, section 6; data big-endian (section 4.2).
Requests that write have a module of their own, which only the guarded change of an address uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from struct import Struct, unpack

from busprobe.wire.functions import (
    EXCEPTION_BIT,
    EXCEPTION_NAMES,
    MEI_DEVICE_IDENTIFICATION,
    ExceptionCode,
    FunctionCode,
    Role,
    exception_name,
    function_name,
)
from busprobe.wire.structure import LONGEST_PDU, lengths

__all__ = [
    "EXCEPTION_BIT",
    "EXCEPTION_NAMES",
    "LONGEST_PDU",
    "MOST_BITS",
    "MOST_REGISTERS",
    "DeviceIdentification",
    "ExceptionCode",
    "FunctionCode",
    "IdentificationObject",
    "Role",
    "ServerId",
    "bits_of",
    "device_identification_of",
    "exception_name",
    "exception_of",
    "function_name",
    "lengths",
    "loop_back",
    "matches",
    "read_bits",
    "read_device_identification",
    "read_registers",
    "registers_of",
    "report_server_id",
    "response_length",
    "server_id_of",
]

# Sections 6.1 to 6.4.
MOST_BITS = 2000
MOST_REGISTERS = 125

_ADDRESS_SPACE = 0x10000
_FIVE = Struct(">BHH")
_BIT_READS = (FunctionCode.READ_COILS, FunctionCode.READ_DISCRETE_INPUTS)
_REGISTER_READS = (FunctionCode.READ_HOLDING_REGISTERS, FunctionCode.READ_INPUT_REGISTERS)
_ECHOES = (
    FunctionCode.WRITE_SINGLE_COIL,
    FunctionCode.WRITE_SINGLE_REGISTER,
    FunctionCode.MASK_WRITE_REGISTER,
    FunctionCode.WRITE_FILE_RECORD,
)
_MULTIPLE_WRITES = (FunctionCode.WRITE_MULTIPLE_COILS, FunctionCode.WRITE_MULTIPLE_REGISTERS)


def _read(function: int, address: int, quantity: int, most: int) -> bytes:
    if not 1 <= quantity <= most:
        raise ValueError(f"quantity {quantity} is not in 1..{most}")
    if not 0 <= address <= _ADDRESS_SPACE - quantity:
        raise ValueError(f"addresses {address}..{address + quantity - 1} are not in 0..65535")
    return _FIVE.pack(function, address, quantity)


def read_registers(function: int, address: int, quantity: int) -> bytes:
    """Build a request for registers (sections 6.3 and 6.4).

    Args:
        function: 3 (holding) or 4 (input).
        address: First register, 0-based as sent.
        quantity: 1 to 125.

    Raises:
        ValueError: The request would be illegal.
    """
    if function not in _REGISTER_READS:
        raise ValueError(f"function {function} does not read registers")
    return _read(function, address, quantity, MOST_REGISTERS)


def read_bits(function: int, address: int, quantity: int) -> bytes:
    """Build a request for coils or discrete inputs (sections 6.1 and 6.2).

    Args:
        function: 1 (coils) or 2 (discrete inputs).
        address: First bit, 0-based as sent.
        quantity: 1 to 2000.

    Raises:
        ValueError: The request would be illegal.
    """
    if function not in _BIT_READS:
        raise ValueError(f"function {function} does not read bits")
    return _read(function, address, quantity, MOST_BITS)


def read_device_identification(code: int = 1, object_id: int = 0) -> bytes:
    """Build a request for identification objects (section 6.21).

    Args:
        code: 1 basic, 2 regular, 3 extended (streams), 4 one object.
        object_id: First object of the stream, or the object.

    Raises:
        ValueError: The request would be illegal.
    """
    if not 1 <= code <= 4:
        raise ValueError(f"read device identification code {code} is not in 1..4")
    if not 0 <= object_id <= 0xFF:
        raise ValueError(f"object {object_id} is not in 0..255")
    return bytes((FunctionCode.ENCAPSULATED_INTERFACE, MEI_DEVICE_IDENTIFICATION, code, object_id))


def report_server_id() -> bytes:
    """Build a request for the server's own description (section 6.13; serial line only)."""
    return bytes((FunctionCode.REPORT_SERVER_ID,))


def loop_back(data: int = 0xA537) -> bytes:
    """Build a loop-back request (section 6.8, sub-function 00; serial line only).

    No other sub-function has a builder: some of them silence a device or clear its counters.

    Args:
        data: The word that comes back, 0..65535.

    Raises:
        ValueError: Not a word.
    """
    if not 0 <= data <= 0xFFFF:
        raise ValueError(f"{data} is not a word")
    return _FIVE.pack(FunctionCode.DIAGNOSTICS, 0, data)


def exception_of(response: bytes) -> int | None:
    """Give the exception code, or None when this is no exception response (section 7)."""
    return response[1] if len(response) == 2 and response[0] & EXCEPTION_BIT else None


def registers_of(request: bytes, response: bytes) -> tuple[int, ...] | None:
    """Give the registers of a read response.

    Args:
        request: The PDU that asked.
        response: The PDU that came.

    Returns:
        One unsigned word per register asked for, or None when the response does not answer that.
    """
    if not request or request[0] not in (
        *_REGISTER_READS,
        FunctionCode.READ_WRITE_MULTIPLE_REGISTERS,
    ):
        return None
    if exception_of(response) is not None or not matches(request, response):
        return None
    return unpack(f">{response[1] // 2}H", response[2:])


def bits_of(request: bytes, response: bytes) -> tuple[bool, ...] | None:
    """Give the bits of a read response, first item first, without the padding.

    Args:
        request: The PDU that asked.
        response: The PDU that came.
    """
    if not request or request[0] not in _BIT_READS:
        return None
    if exception_of(response) is not None or not matches(request, response):
        return None
    quantity = int.from_bytes(request[3:5], "big")
    return tuple(bool(response[2 + n // 8] >> n % 8 & 1) for n in range(quantity))


@dataclass(frozen=True, slots=True)
class IdentificationObject:
    """One object of a device identification: its number and its bytes as sent."""

    object_id: int
    value: bytes


@dataclass(frozen=True, slots=True)
class DeviceIdentification:
    """A response to Read Device Identification (section 6.21).

    Attributes:
        code: Read device identification code of the response.
        conformity: 01h, 02h, 03h (stream only), 81h, 82h, 83h (stream and single objects).
        more_follows: Whether a further request from `next_object` gives more.
        next_object: Where to go on. A device may send the same again and again: give up when it
            does not grow.
        objects: The objects in the order sent.
    """

    code: int
    conformity: int
    more_follows: bool
    next_object: int
    objects: tuple[IdentificationObject, ...]


def device_identification_of(response: bytes) -> DeviceIdentification | None:
    """Parse a Read Device Identification response.

    Returns:
        None when it is none, or its objects do not fill it exactly.
    """
    if not response or response[0] != FunctionCode.ENCAPSULATED_INTERFACE:
        return None
    if lengths(response, Role.RESPONSE) != len(response):
        return None
    objects = []
    at = 7
    for _ in range(response[6]):
        end = at + 2 + response[at + 1]
        objects.append(IdentificationObject(response[at], response[at + 2 : end]))
        at = end
    return DeviceIdentification(
        response[2], response[3], response[4] == 0xFF, response[5], tuple(objects)
    )


@dataclass(frozen=True, slots=True)
class ServerId:
    """A Report Server ID response (section 6.13).

    Attributes:
        raw: Everything after the byte count: server ID of device specific length, run indicator
            (00 off, FF on), additional data. Nothing in the response tells where the ID ends, so it
            is not taken apart.
    """

    raw: bytes


def server_id_of(response: bytes) -> ServerId | None:
    """Parse a Report Server ID response; None when it is none."""
    if not response or response[0] != FunctionCode.REPORT_SERVER_ID:
        return None
    if lengths(response, Role.RESPONSE) != len(response):
        return None
    return ServerId(response[2:])


def response_length(request: bytes) -> int | None:
    """Tell how long the normal response to a request is.

    Returns:
        PDU length [byte], or None where only the device knows it.
    """
    if lengths(request, Role.REQUEST) != len(request):
        # Loop-back of several words comes back as it went.
        if request[:3] == b"\x08\x00\x00" and len(request) % 2:
            return len(request)
        return None
    function = request[0]
    if function in _BIT_READS:
        return 2 + (int.from_bytes(request[3:5], "big") + 7) // 8
    if function in _REGISTER_READS or function == FunctionCode.READ_WRITE_MULTIPLE_REGISTERS:
        return 2 + 2 * int.from_bytes(request[3:5], "big")
    if function in _ECHOES or function == FunctionCode.DIAGNOSTICS:
        return len(request)
    if function in _MULTIPLE_WRITES or function == FunctionCode.GET_COMM_EVENT_COUNTER:
        return 5
    if function == FunctionCode.READ_EXCEPTION_STATUS:
        return 2
    return None


def matches(request: bytes, response: bytes) -> bool:
    """Tell whether a response can answer a request.

    Function code, lengths and the fields that are sent back must agree. An exception response to
    the function asked is an answer. Addresses are the caller's business.

    Args:
        request: The PDU that asked.
        response: The PDU that came.
    """
    if not request or not response:
        return False
    function = request[0]
    if response[0] == function | EXCEPTION_BIT:
        return len(response) == 2
    if response[0] != function:
        return False
    expected = response_length(request)
    if expected is not None and len(response) != expected:
        return False
    if function == FunctionCode.DIAGNOSTICS:
        # Section 6.8: only sub-function 00 sends the data back; the others send a value.
        echoed = len(request) if request[1:3] == b"\0\0" else 3
        return response[:echoed] == request[:echoed]
    if function in _ECHOES:
        return response == request
    if function in _MULTIPLE_WRITES:
        return response == request[:5]
    if lengths(response, Role.RESPONSE) != len(response):
        return False
    if function == FunctionCode.ENCAPSULATED_INTERFACE and request[2:3] == b"\x04":
        # Section 6.21: individual access gives the one object asked for.
        return response[6] == 1 and response[7] == request[3]
    return True
