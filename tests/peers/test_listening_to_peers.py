"""Listening while masters and slaves that are not ours share the served bus."""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import ctypes.util
import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import minimalmodbus
import pytest
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusIOException
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from busprobe.bus.bus import Bus
from busprobe.diagnosis.listening import LineState, listening_findings
from busprobe.link.opening import open_link
from busprobe.model.line import LineSettings, parse_link
from busprobe.procedures.listen import Listening, listen
from busprobe_sim.ports.serve_bus import Served
from tests.peers.simulated_bus_serving import fast_bus, served

FAST = LineSettings(115200)
PRESENT, ABSENT = (1, 7), 9


@contextmanager
def polling(once: Callable[[], None]) -> Iterator[None]:
    """Poll in a thread while the block runs."""
    stop = threading.Event()
    failures: list[BaseException] = []

    def run() -> None:
        try:
            while not stop.is_set():
                once()
        except BaseException as error:
            failures.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(10.0)
    assert failures == []


async def overheard(where: Served, start: LineSettings, seconds: float) -> Listening:
    """Listen through the remote port, an adapter of its own on the same line."""
    argument = next(name for name in where.links if name.startswith("rfc2217"))
    link = await open_link(parse_link(argument), start)
    try:
        return await listen(Bus(link), seconds)
    finally:
        await link.close()


def check(found: Listening, share: float) -> None:
    """At least this share of the requests to present devices was heard answered."""
    assert found.heard.state is LineState.CONVERSATION
    assert found.settings is not None
    assert found.settings.baud == FAST.baud
    assert FAST in found.heard.alternatives
    devices = {d.address: d for d in found.conversation.devices}
    assert set(devices) == {*PRESENT, ABSENT}
    for address in PRESENT:
        assert devices[address].answers >= 1
        assert devices[address].answers >= share * devices[address].requests
        assert 3 in devices[address].functions
    assert devices[ABSENT].answers == 0
    told = listening_findings(found.heard, found.conversation, None, found.seconds)
    codes = {(f.code, f.address) for f in told}
    assert ("foreign-master", None) in codes
    if devices[ABSENT].requests >= 3:
        assert ("polled-absent", ABSENT) in codes


@pytest.mark.parametrize("start", [9600, 115200])
async def test_pymodbus_polls(tmp_path: Path, start: int) -> None:
    with served(fast_bus(tmp_path), pty=True, rfc2217_port=0) as where:
        client: Any = ModbusSerialClient(
            where.pty or "", baudrate=FAST.baud, timeout=0.2, retries=0
        )
        assert client.connect()

        def once() -> None:
            for address in (*PRESENT, ABSENT):
                with contextlib.suppress(ModbusIOException):
                    client.read_holding_registers(40000, count=2, device_id=address)

        with polling(once):
            found = await overheard(where, LineSettings(start), 4.0 if start == FAST.baud else 10.0)
        client.close()
    # It leaves no t3.5 after a reply: the next device misses many a request.
    check(found, 0.2)


async def test_minimalmodbus_polls(tmp_path: Path) -> None:
    with served(fast_bus(tmp_path), pty=True, rfc2217_port=0) as where:
        instruments = []
        for address in (*PRESENT, ABSENT):
            instrument = minimalmodbus.Instrument(where.pty or "", address)
            assert instrument.serial is not None
            instrument.serial.baudrate = FAST.baud
            instrument.serial.timeout = 0.2
            instruments.append(instrument)

        def once() -> None:
            for instrument in instruments:
                with contextlib.suppress(minimalmodbus.NoResponseError):
                    instrument.read_registers(40000, 2)

        with polling(once):
            found = await overheard(where, FAST, 4.0)
        instruments[0].serial.close()
    check(found, 0.6)


async def test_libmodbus_polls(tmp_path: Path) -> None:
    name = ctypes.util.find_library("modbus")
    if name is None:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail("libmodbus is not installed")
        pytest.skip("libmodbus is not installed")
    library = ctypes.CDLL(name)
    library.modbus_new_rtu.restype = ctypes.c_void_p
    with served(fast_bus(tmp_path), pty=True, rfc2217_port=0) as where:
        made = library.modbus_new_rtu(
            (where.pty or "").encode(), FAST.baud, ctypes.c_char(b"N"), 8, 1
        )
        context = ctypes.c_void_p(made)
        library.modbus_set_response_timeout(context, 0, 200_000)
        assert library.modbus_connect(context) == 0

        def once() -> None:
            words = (ctypes.c_uint16 * 2)()
            for address in (*PRESENT, ABSENT):
                library.modbus_set_slave(context, address)
                # It leaves no t3.5 after a reply, so that a device misses a request now and then;
                # the time-out of the absent one restores the silence.
                library.modbus_read_registers(context, 40000, 2, words)

        with polling(once):
            found = await overheard(where, FAST, 4.0)
        library.modbus_close(context)
        library.modbus_free(context)
    assert found.settings is not None
    assert found.settings.baud == FAST.baud
    devices = {d.address: d for d in found.conversation.devices}
    assert set(devices) == {*PRESENT, ABSENT}
    assert devices[1].answers >= 3
    assert devices[ABSENT].answers == 0


async def test_a_slave_of_pymodbus_is_heard_to_answer_another_master(tmp_path: Path) -> None:
    slave_address = 20
    values = SimDevice(
        slave_address, simdata=[SimData(0, values=[0x5375, 0x6E53], datatype=DataType.REGISTERS)]
    )
    with served(fast_bus(tmp_path), pty=True, rtu_tcp_port=0, rfc2217_port=0) as where:
        server = ModbusSerialServer(values, port=where.pty or "", baudrate=FAST.baud)
        await server.serve_forever(background=True)
        master: Any = ModbusTcpClient(
            where.host, port=where.rtu_tcp_port or 0, framer=FramerType.RTU, timeout=0.5, retries=0
        )
        assert await asyncio.to_thread(master.connect)

        def once() -> None:
            with contextlib.suppress(ModbusIOException):
                answer = master.read_holding_registers(0, count=2, device_id=slave_address)
                assert answer.registers == [0x5375, 0x6E53]

        with polling(once):
            found = await overheard(where, FAST, 2.0)
        master.close()
        await server.shutdown()
    (device,) = found.conversation.devices
    assert device.address == slave_address
    assert device.answers >= 3
    assert device.answers >= 0.6 * device.requests
