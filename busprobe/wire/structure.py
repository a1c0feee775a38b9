"""How long a PDU is, told from its first bytes.

Rules of MODBUS Application Protocol V1.1b3, section 6 (request and response tables of each
function). An RTU frame has no length field, so this is what finds its end:

    fixed        01-06 requests, 05/06/0F/10/16 responses, ...
    counted      a byte count tells the rest (01-04, 17 responses, 0F/10/17 requests, 0C, 11, 14)
    walked       2B/0E responses: every object carries its length, and nothing carries the total
    open         08/00 echoes any number of words; only its one-word form is told here

A length is given only where the bytes seen so far obey the structure; values a device would refuse
(a quantity of 0, say) are structure all the same.
"""

from __future__ import annotations

from collections.abc import Callable

from busprobe.wire.functions import (
    EXCEPTION_BIT,
    MEI_DEVICE_IDENTIFICATION,
    FunctionCode,
    Role,
)

# MODBUS Application Protocol V1.1b3, section 4.1.
LONGEST_PDU = 253

MORE = 0
"""The bytes so far do not tell the length yet."""
IMPOSSIBLE = -1
"""No PDU begins like this."""

# Section 6.13 of the specification and following: 250 bytes of data is the most any read returns.
_MOST_DATA = 250
# Section 6.18: at most 31 registers in the queue.
_MOST_QUEUED = 31
# Section 6.10: status, event count and message count, then up to 64 events.
_LOG_HEAD = 6
_LOG_EVENTS = 64
# Sections 6.14 and 6.15: byte count of the request.
_FILE_LEAST, _FILE_MOST = 7, 0xF5
_FILE_SUBREQUEST = 7
# Section 6.21: fc, MEI type, code, conformity, more follows, next object, number of objects.
_IDENTIFICATION_HEAD = 7

Buffer = bytes | bytearray
Rule = int | Callable[[Buffer, int, int], int]


def _counted(least: int, most: int, step: int = 1) -> Callable[[Buffer, int, int], int]:
    # Function code, byte count, so many bytes.
    def length(buffer: Buffer, start: int, stop: int) -> int:
        if stop - start < 2:
            return MORE
        count = buffer[start + 1]
        return 2 + count if least <= count <= most and count % step == 0 else IMPOSSIBLE

    return length


def _write_coils(buffer: Buffer, start: int, stop: int) -> int:
    if stop - start < 6:
        return MORE
    quantity = buffer[start + 3] << 8 | buffer[start + 4]
    count = buffer[start + 5]
    return 6 + count if 0 < count <= 246 and count == (quantity + 7) >> 3 else IMPOSSIBLE


def _write_registers(buffer: Buffer, start: int, stop: int) -> int:
    if stop - start < 6:
        return MORE
    quantity = buffer[start + 3] << 8 | buffer[start + 4]
    count = buffer[start + 5]
    return 6 + count if 0 < count <= 246 and count == quantity * 2 else IMPOSSIBLE


def _read_write_registers(buffer: Buffer, start: int, stop: int) -> int:
    if stop - start < 10:
        return MORE
    quantity = buffer[start + 7] << 8 | buffer[start + 8]
    count = buffer[start + 9]
    return 10 + count if 0 < count <= 242 and count == quantity * 2 else IMPOSSIBLE


def _diagnostics(buffer: Buffer, start: int, stop: int) -> int:
    # Section 6.8: sub-functions end at 14h.
    if stop - start < 3:
        return MORE
    return 5 if buffer[start + 1] == 0 and buffer[start + 2] <= 0x14 else IMPOSSIBLE


def _queue(buffer: Buffer, start: int, stop: int) -> int:
    if stop - start < 5:
        return MORE
    count = buffer[start + 1] << 8 | buffer[start + 2]
    queued = buffer[start + 3] << 8 | buffer[start + 4]
    return 3 + count if queued <= _MOST_QUEUED and count == 2 + 2 * queued else IMPOSSIBLE


def _identification_request(buffer: Buffer, start: int, stop: int) -> int:
    if stop - start < 3:
        return MORE
    known = buffer[start + 1] == MEI_DEVICE_IDENTIFICATION and 1 <= buffer[start + 2] <= 4
    return 4 if known else IMPOSSIBLE


def _identification_response(buffer: Buffer, start: int, stop: int) -> int:
    have = stop - start
    if have >= 2 and buffer[start + 1] != MEI_DEVICE_IDENTIFICATION:
        return IMPOSSIBLE
    if have >= 3 and not 1 <= buffer[start + 2] <= 4:
        return IMPOSSIBLE
    if have < _IDENTIFICATION_HEAD:
        return MORE
    if buffer[start + 4] not in (0x00, 0xFF):
        return IMPOSSIBLE
    end = start + _IDENTIFICATION_HEAD
    for _ in range(buffer[start + 6]):
        if end + 2 - start > LONGEST_PDU:
            return IMPOSSIBLE
        if end + 2 > stop:
            return MORE
        end += 2 + buffer[end + 1]
    return end - start if end - start <= LONGEST_PDU else IMPOSSIBLE


_F = FunctionCode

REQUEST_RULES: dict[int, Rule] = {
    _F.READ_COILS: 5,
    _F.READ_DISCRETE_INPUTS: 5,
    _F.READ_HOLDING_REGISTERS: 5,
    _F.READ_INPUT_REGISTERS: 5,
    _F.WRITE_SINGLE_COIL: 5,
    _F.WRITE_SINGLE_REGISTER: 5,
    _F.READ_EXCEPTION_STATUS: 1,
    _F.DIAGNOSTICS: _diagnostics,
    _F.GET_COMM_EVENT_COUNTER: 1,
    _F.GET_COMM_EVENT_LOG: 1,
    _F.WRITE_MULTIPLE_COILS: _write_coils,
    _F.WRITE_MULTIPLE_REGISTERS: _write_registers,
    _F.REPORT_SERVER_ID: 1,
    _F.READ_FILE_RECORD: _counted(_FILE_LEAST, _FILE_MOST, _FILE_SUBREQUEST),
    _F.WRITE_FILE_RECORD: _counted(9, 0xFB),
    _F.MASK_WRITE_REGISTER: 7,
    _F.READ_WRITE_MULTIPLE_REGISTERS: _read_write_registers,
    _F.READ_FIFO_QUEUE: 3,
    _F.ENCAPSULATED_INTERFACE: _identification_request,
}

RESPONSE_RULES: dict[int, Rule] = {
    _F.READ_COILS: _counted(1, _MOST_DATA),
    _F.READ_DISCRETE_INPUTS: _counted(1, _MOST_DATA),
    _F.READ_HOLDING_REGISTERS: _counted(2, _MOST_DATA, 2),
    _F.READ_INPUT_REGISTERS: _counted(2, _MOST_DATA, 2),
    _F.WRITE_SINGLE_COIL: 5,
    _F.WRITE_SINGLE_REGISTER: 5,
    _F.READ_EXCEPTION_STATUS: 2,
    _F.DIAGNOSTICS: _diagnostics,
    _F.GET_COMM_EVENT_COUNTER: 5,
    _F.GET_COMM_EVENT_LOG: _counted(_LOG_HEAD, _LOG_HEAD + _LOG_EVENTS),
    _F.WRITE_MULTIPLE_COILS: 5,
    _F.WRITE_MULTIPLE_REGISTERS: 5,
    _F.REPORT_SERVER_ID: _counted(1, _MOST_DATA + 1),
    _F.READ_FILE_RECORD: _counted(_FILE_LEAST - 3, _FILE_MOST),
    _F.WRITE_FILE_RECORD: _counted(9, 0xFB),
    _F.MASK_WRITE_REGISTER: 7,
    _F.READ_WRITE_MULTIPLE_REGISTERS: _counted(2, _MOST_DATA, 2),
    _F.READ_FIFO_QUEUE: _queue,
    _F.ENCAPSULATED_INTERFACE: _identification_response,
    # Section 7: function code with the exception bit, one exception code. Functions outside the
    # public ones are refused in the same form.
    **{code | EXCEPTION_BIT: 2 for code in range(1, 0x80)},
}


def length_at(buffer: Buffer, start: int, stop: int, rules: dict[int, Rule]) -> int:
    """Tell the length of the PDU that begins inside a buffer.

    Args:
        buffer: The bytes.
        start: Where the function code is.
        stop: End of what has been received.
        rules: `REQUEST_RULES` or `RESPONSE_RULES`.

    Returns:
        The whole length [byte], `MORE` or `IMPOSSIBLE`.
    """
    if start >= stop:
        return MORE
    rule = rules.get(buffer[start], IMPOSSIBLE)
    return rule if isinstance(rule, int) else rule(buffer, start, stop)


def lengths(prefix: bytes, role: Role) -> int:
    """Tell the length of the PDU that begins with some bytes.

    Args:
        prefix: Function code and what follows it, as far as it is known.
        role: Request or response.

    Returns:
        The whole length [byte], `MORE` or `IMPOSSIBLE`.
    """
    rules = REQUEST_RULES if role is Role.REQUEST else RESPONSE_RULES
    return length_at(prefix, 0, len(prefix), rules)
