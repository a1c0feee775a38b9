"""Our links and our codec against the servers of pymodbus 3.16, on a pty and on TCP."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest
from pymodbus import FramerType
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from busprobe.bus.bus import Bus
from busprobe.link.base import Link
from busprobe.link.opening import open_link
from busprobe.model.exchange import Outcome
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.wire import mbap, pdu, rtu
from tests.conformance.cable import PtyCable
from tests.conformance.link_kit import MS, PATIENCE_NS, heard, joined

VALUES = [n * 257 % 65536 for n in range(125)]
UNIT = 17


def device() -> SimDevice:
    """A device with 125 registers from 0."""
    return SimDevice(
        UNIT,
        simdata=[SimData(0, values=VALUES, datatype=DataType.REGISTERS)],
    )


@asynccontextmanager
async def tcp_server(framer: FramerType) -> AsyncIterator[int]:
    """A pymodbus TCP server; gives its port."""
    server = ModbusTcpServer(device(), framer=framer, address=("127.0.0.1", 0))
    await server.serve_forever(background=True)
    try:
        assert isinstance(server.transport, asyncio.Server)
        yield server.transport.sockets[0].getsockname()[1]
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


@asynccontextmanager
async def serial_server(port: str, settings: LineSettings) -> AsyncIterator[None]:
    """A pymodbus serial server, always without parity: a pty has none to check."""
    server = ModbusSerialServer(
        device(),
        port=port,
        baudrate=settings.baud,
        stopbits=settings.stop_bits,
    )
    await server.serve_forever(background=True)
    try:
        yield
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


async def ask_rtu(link: Link, address: int, request: bytes, pdu_length: int) -> bytes:
    """Ask once and give the response PDU, whose length the test knows."""
    await link.send(rtu.encode(address, request))
    answer = joined(await heard(link, 1 + pdu_length + 2))
    (piece,) = rtu.split(answer, request=(address, request))
    assert piece.framed
    assert piece.address == address
    return piece.pdu


@pytest.mark.parametrize(
    "settings",
    [LineSettings(9600), LineSettings(19200, Parity.EVEN), LineSettings(115200, Parity.NONE, 2)],
    ids=str,
)
async def test_serial_link_reads_the_registers_of_a_serial_server(settings: LineSettings) -> None:
    cable = PtyCable()
    try:
        async with serial_server(cable.names[0], settings):
            link = await open_link(parse_link(cable.names[1]), settings)
            for function in (3, 4):
                request = pdu.read_registers(function, 0, 125)
                response = await ask_rtu(link, UNIT, request, 252)
                assert pdu.registers_of(request, response) == tuple(VALUES)
            await link.close()
    finally:
        cable.close()


async def test_serial_link_hears_the_exception_of_a_serial_server() -> None:
    cable = PtyCable()
    try:
        async with serial_server(cable.names[0], LineSettings()):
            link = await open_link(parse_link(cable.names[1]), None)
            response = await ask_rtu(link, UNIT, pdu.read_registers(3, 4000, 2), 2)
            # MODBUS Application Protocol V1.1b3, section 7: 02 illegal data address.
            assert response == bytes((0x83, 2))
            await link.close()
    finally:
        cable.close()


async def test_tcp_link_reads_the_registers_of_a_tcp_server() -> None:
    async with tcp_server(FramerType.SOCKET) as port:
        link = await open_link(parse_link(f"tcp://127.0.0.1:{port}"), None)
        request = pdu.read_registers(3, 0, 125)
        decoder = mbap.Decoder()
        for transaction in (1, 2, 0xFFFF):
            adu = mbap.encode(transaction, UNIT, request)
            await link.send(adu)
            answer = joined(await heard(link, mbap.HEADER_LENGTH + 2 + 250))
            (frame,) = decoder.feed(answer)
            assert isinstance(frame, mbap.Adu)
            assert (frame.transaction, frame.unit) == (transaction, UNIT)
            assert pdu.registers_of(request, frame.pdu) == tuple(VALUES)
        await link.close()


async def test_rtu_over_tcp_link_reads_the_registers_of_a_server_with_rtu_frames() -> None:
    async with tcp_server(FramerType.RTU) as port:
        link = await open_link(parse_link(f"rtu+tcp://127.0.0.1:{port}"), None)
        request = pdu.read_registers(4, 10, 7)
        response = await ask_rtu(link, UNIT, request, 16)
        assert pdu.registers_of(request, response) == tuple(VALUES[10:17])
        await link.close()


@pytest.mark.parametrize("echo", [False, True])
async def test_the_bus_tells_answers_exceptions_and_silence_on_a_serial_line(echo: bool) -> None:
    cable = PtyCable(echo_for=1 if echo else None)
    try:
        async with serial_server(cable.names[0], LineSettings()):
            bus = Bus(await open_link(parse_link(cable.names[1]), LineSettings()))
            request = pdu.read_registers(3, 0, 10)
            answered = await bus.exchange(UNIT, request, listen_ns=PATIENCE_NS)
            assert answered.outcome is Outcome.ANSWERED
            assert answered.echo is echo
            assert answered.answer is not None
            assert pdu.registers_of(request, answered.answer.pdu) == tuple(VALUES[:10])
            beyond = await bus.exchange(UNIT, pdu.read_registers(3, 4000, 1), listen_ns=PATIENCE_NS)
            assert beyond.outcome is Outcome.EXCEPTION
            await bus.close()
        # Nobody is left at the other end of the cable.
        bus = Bus(await open_link(parse_link(cable.names[1]), LineSettings()))
        nobody = await bus.exchange(UNIT, request, listen_ns=20 * MS)
        assert nobody.outcome is Outcome.SILENT
        assert nobody.echo is echo
        await bus.close()
    finally:
        cable.close()


async def test_the_bus_tells_answers_and_exceptions_on_tcp() -> None:
    async with tcp_server(FramerType.SOCKET) as port:
        bus = Bus(await open_link(parse_link(f"tcp://127.0.0.1:{port}"), None))
        request = pdu.read_registers(4, 3, 5)
        answered = await bus.exchange(UNIT, request, listen_ns=PATIENCE_NS)
        assert answered.outcome is Outcome.ANSWERED
        assert answered.answer is not None
        assert pdu.registers_of(request, answered.answer.pdu) == tuple(VALUES[3:8])
        beyond = await bus.exchange(UNIT, pdu.read_registers(3, 4000, 1), listen_ns=PATIENCE_NS)
        assert beyond.outcome is Outcome.EXCEPTION
        await bus.close()
