"""The served simulated bus, read by libmodbus through ctypes."""

from __future__ import annotations

import ctypes
import ctypes.util
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.peers.simulated_bus_serving import fast_bus, served

# libmodbus: MODBUS_ENOBASE + exception code (modbus.h).
ILLEGAL_DATA_ADDRESS = 112345678 + 2


@pytest.fixture(scope="module")
def library() -> ctypes.CDLL:
    name = ctypes.util.find_library("modbus")
    if name is None:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail("libmodbus is not installed")
        pytest.skip("libmodbus is not installed")
    found = ctypes.CDLL(name, use_errno=True)
    for function in (found.modbus_new_rtu, found.modbus_new_tcp):
        function.restype = ctypes.c_void_p
    return found


@pytest.fixture(params=["tcp", "rtu"])
def context(request: pytest.FixtureRequest, library: ctypes.CDLL, tmp_path: Path) -> Iterator[int]:
    way = {"tcp_port": 0} if request.param == "tcp" else {"pty": True}
    with served(fast_bus(tmp_path), **way) as where:
        if where.tcp_port is not None:
            made = library.modbus_new_tcp(where.host.encode(), where.tcp_port)
        else:
            path = (where.pty or "").encode()
            made = library.modbus_new_rtu(path, 115200, ctypes.c_char(b"N"), 8, 1)
        context = ctypes.c_void_p(made)
        library.modbus_set_response_timeout(context, 1, 0)
        assert library.modbus_connect(context) == 0
        yield made
        library.modbus_close(context)
        library.modbus_free(context)


def _read(library: ctypes.CDLL, made: int, unit: int, register: int, count: int) -> list[int]:
    context = ctypes.c_void_p(made)
    words = (ctypes.c_uint16 * count)()
    assert library.modbus_set_slave(context, unit) == 0
    assert library.modbus_read_registers(context, register, count, words) == count
    return list(words)


def test_marker_and_values(library: ctypes.CDLL, context: int) -> None:
    assert _read(library, context, 1, 40000, 2) == [0x5375, 0x6E53]
    assert _read(library, context, 1, 40070, 2) == [203, 105]
    assert all(2200 < volts < 2400 for volts in _read(library, context, 1, 40078, 3))
    # libmodbus decodes the float of the other meter by itself.
    library.modbus_get_float_abcd.restype = ctypes.c_float
    words = (ctypes.c_uint16 * 2)(*_read(library, context, 7, 40081, 2))
    assert 220 < library.modbus_get_float_abcd(words) < 240


def test_exceptions_reach_the_client(library: ctypes.CDLL, context: int) -> None:
    words = (ctypes.c_uint16 * 2)()
    handle = ctypes.c_void_p(context)
    assert library.modbus_set_slave(handle, 1) == 0
    ctypes.set_errno(0)
    assert library.modbus_read_registers(handle, 5, 2, words) == -1
    assert ctypes.get_errno() == ILLEGAL_DATA_ADDRESS
