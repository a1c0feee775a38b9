"""Function codes and exception codes.

Source: MODBUS Application Protocol Specification V1.1b3, sections 6 and 7.
"""

from __future__ import annotations

from enum import IntEnum, StrEnum

EXCEPTION_BIT = 0x80


class Role(StrEnum):
    """Which way a frame travels."""

    REQUEST = "request"
    RESPONSE = "response"


class FunctionCode(IntEnum):
    """The public function codes."""

    READ_COILS = 0x01
    READ_DISCRETE_INPUTS = 0x02
    READ_HOLDING_REGISTERS = 0x03
    READ_INPUT_REGISTERS = 0x04
    WRITE_SINGLE_COIL = 0x05
    WRITE_SINGLE_REGISTER = 0x06
    READ_EXCEPTION_STATUS = 0x07
    DIAGNOSTICS = 0x08
    GET_COMM_EVENT_COUNTER = 0x0B
    GET_COMM_EVENT_LOG = 0x0C
    WRITE_MULTIPLE_COILS = 0x0F
    WRITE_MULTIPLE_REGISTERS = 0x10
    REPORT_SERVER_ID = 0x11
    READ_FILE_RECORD = 0x14
    WRITE_FILE_RECORD = 0x15
    MASK_WRITE_REGISTER = 0x16
    READ_WRITE_MULTIPLE_REGISTERS = 0x17
    READ_FIFO_QUEUE = 0x18
    ENCAPSULATED_INTERFACE = 0x2B


# MODBUS Application Protocol V1.1b3, section 6.21: MEI type of Read Device Identification.
MEI_DEVICE_IDENTIFICATION = 0x0E

_FUNCTION_NAMES = {
    FunctionCode.READ_COILS: "read coils",
    FunctionCode.READ_DISCRETE_INPUTS: "read discrete inputs",
    FunctionCode.READ_HOLDING_REGISTERS: "read holding registers",
    FunctionCode.READ_INPUT_REGISTERS: "read input registers",
    FunctionCode.WRITE_SINGLE_COIL: "write single coil",
    FunctionCode.WRITE_SINGLE_REGISTER: "write single register",
    FunctionCode.READ_EXCEPTION_STATUS: "read exception status",
    FunctionCode.DIAGNOSTICS: "diagnostics",
    FunctionCode.GET_COMM_EVENT_COUNTER: "get comm event counter",
    FunctionCode.GET_COMM_EVENT_LOG: "get comm event log",
    FunctionCode.WRITE_MULTIPLE_COILS: "write multiple coils",
    FunctionCode.WRITE_MULTIPLE_REGISTERS: "write multiple registers",
    FunctionCode.REPORT_SERVER_ID: "report server ID",
    FunctionCode.READ_FILE_RECORD: "read file record",
    FunctionCode.WRITE_FILE_RECORD: "write file record",
    FunctionCode.MASK_WRITE_REGISTER: "mask write register",
    FunctionCode.READ_WRITE_MULTIPLE_REGISTERS: "read/write multiple registers",
    FunctionCode.READ_FIFO_QUEUE: "read FIFO queue",
    FunctionCode.ENCAPSULATED_INTERFACE: "encapsulated interface",
}


class ExceptionCode(IntEnum):
    """The exception codes of section 7, and 07, which only sections 6.8 and 6.10 name."""

    ILLEGAL_FUNCTION = 0x01
    ILLEGAL_DATA_ADDRESS = 0x02
    ILLEGAL_DATA_VALUE = 0x03
    SERVER_DEVICE_FAILURE = 0x04
    ACKNOWLEDGE = 0x05
    SERVER_DEVICE_BUSY = 0x06
    NEGATIVE_ACKNOWLEDGE = 0x07
    MEMORY_PARITY_ERROR = 0x08
    GATEWAY_PATH_UNAVAILABLE = 0x0A
    GATEWAY_TARGET_FAILED = 0x0B


EXCEPTION_NAMES = {
    ExceptionCode.ILLEGAL_FUNCTION: "illegal function",
    ExceptionCode.ILLEGAL_DATA_ADDRESS: "illegal data address",
    ExceptionCode.ILLEGAL_DATA_VALUE: "illegal data value",
    ExceptionCode.SERVER_DEVICE_FAILURE: "server device failure",
    ExceptionCode.ACKNOWLEDGE: "acknowledge",
    ExceptionCode.SERVER_DEVICE_BUSY: "server device busy",
    ExceptionCode.NEGATIVE_ACKNOWLEDGE: "negative acknowledge",
    ExceptionCode.MEMORY_PARITY_ERROR: "memory parity error",
    ExceptionCode.GATEWAY_PATH_UNAVAILABLE: "gateway path unavailable",
    ExceptionCode.GATEWAY_TARGET_FAILED: "gateway target device failed to respond",
}


def function_name(code: int) -> str:
    """Name a function code, with or without the exception bit."""
    plain = code & 0x7F
    try:
        return _FUNCTION_NAMES[FunctionCode(plain)]
    except ValueError:
        return f"function {plain:02X}h"


def exception_name(code: int) -> str:
    """Name an exception code; codes outside the specification are called undefined."""
    try:
        return EXCEPTION_NAMES[ExceptionCode(code)]
    except ValueError:
        return f"undefined exception {code:02X}h"
