"""Our links and our codec against the servers of libmodbus, through ctypes."""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import socket
import threading
from collections.abc import Callable

import pytest

from busprobe.link.opening import open_link
from busprobe.model.line import LineSettings, Parity, parse_link
from busprobe.wire import mbap, pdu, rtu
from tests.conformance.cable import PtyCable
from tests.conformance.link_kit import heard, joined

VALUES = [65535 - n * 7 for n in range(60)]
UNIT = 42


def load() -> ctypes.CDLL:
    """The library, or a skip; `BUSPROBE_REQUIRE_PEERS=1` makes its absence a failure."""
    name = ctypes.util.find_library("modbus")
    if name is None:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail("libmodbus is not installed")
        pytest.skip("libmodbus is not installed")
    library = ctypes.CDLL(name, use_errno=True)
    library.modbus_new_rtu.restype = ctypes.c_void_p
    library.modbus_new_tcp.restype = ctypes.c_void_p
    library.modbus_mapping_new.restype = ctypes.c_void_p
    return library


class Mapping(ctypes.Structure):
    """modbus_mapping_t of libmodbus 3.1 (modbus.h)."""

    _fields_ = [
        ("nb_bits", ctypes.c_int),
        ("start_bits", ctypes.c_int),
        ("nb_input_bits", ctypes.c_int),
        ("start_input_bits", ctypes.c_int),
        ("nb_input_registers", ctypes.c_int),
        ("start_input_registers", ctypes.c_int),
        ("nb_registers", ctypes.c_int),
        ("start_registers", ctypes.c_int),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    ]


class Server:
    """A libmodbus server that answers so many requests in a thread of its own."""

    def __init__(self, library: ctypes.CDLL, context: int, requests: int) -> None:
        self._library = library
        self._context = ctypes.c_void_p(context)
        self._mapping = ctypes.c_void_p(library.modbus_mapping_new(0, 0, 100, 100))
        registers = ctypes.cast(self._mapping, ctypes.POINTER(Mapping)).contents.tab_registers
        for index, value in enumerate(VALUES):
            registers[index] = value
        assert library.modbus_set_slave(self._context, UNIT) == 0
        # Ends the thread of a test that has failed.
        library.modbus_set_indication_timeout(self._context, 20, 0)
        self.answered = 0
        self._requests = requests
        self._thread: threading.Thread | None = None

    def start(self, accept: Callable[[ctypes.c_void_p], int]) -> None:
        """Answer in the background, once `accept` has made a connection."""
        self._thread = threading.Thread(target=self._serve, args=(accept,), daemon=True)
        self._thread.start()

    def _serve(self, accept: Callable[[ctypes.c_void_p], int]) -> None:
        if accept(self._context) == -1:
            return
        query = (ctypes.c_uint8 * 260)()
        while self.answered < self._requests:
            length = self._library.modbus_receive(self._context, query)
            if length == -1:
                return
            if self._library.modbus_reply(self._context, query, length, self._mapping) == -1:
                return
            self.answered += 1

    def stop(self) -> None:
        """Wait for the last answer and free everything."""
        assert self._thread is not None
        self._thread.join(30)
        self._library.modbus_close(self._context)
        self._library.modbus_free(self._context)
        self._library.modbus_mapping_free(self._mapping)


@pytest.mark.parametrize(
    "settings", [LineSettings(9600), LineSettings(38400, Parity.EVEN)], ids=str
)
async def test_serial_link_talks_to_an_rtu_server(settings: LineSettings) -> None:
    library = load()
    cable = PtyCable()
    context = library.modbus_new_rtu(
        cable.names[0].encode(), settings.baud, ord(settings.parity.value), 8, settings.stop_bits
    )
    server = Server(library, context, requests=2)
    assert library.modbus_connect(ctypes.c_void_p(context)) == 0
    server.start(lambda _: 0)
    link = await open_link(parse_link(cable.names[1]), settings)
    try:
        request = pdu.read_registers(3, 0, 60)
        await link.send(rtu.encode(UNIT, request))
        (piece,) = rtu.split(joined(await heard(link, 125)), request=(UNIT, request))
        assert (piece.framed, piece.address) == (True, UNIT)
        assert pdu.registers_of(request, piece.pdu) == tuple(VALUES)
        outside = pdu.read_registers(4, 99, 2)
        await link.send(rtu.encode(UNIT, outside))
        (piece,) = rtu.split(joined(await heard(link, 5)), request=(UNIT, outside))
        # MODBUS Application Protocol V1.1b3, section 7: 02 illegal data address.
        assert piece.pdu == bytes((0x84, 2))
    finally:
        await link.close()
        server.stop()
        cable.close()
    assert server.answered == 2


async def test_tcp_link_talks_to_a_tcp_server() -> None:
    library = load()
    context = library.modbus_new_tcp(b"127.0.0.1", 0)
    server = Server(library, context, requests=2)
    listening = library.modbus_tcp_listen(ctypes.c_void_p(context), 1)
    assert listening >= 0
    listener = socket.socket(fileno=listening)
    handle = ctypes.c_int(listening)
    server.start(lambda ctx: int(library.modbus_tcp_accept(ctx, ctypes.byref(handle))))
    link = await open_link(parse_link(f"tcp://127.0.0.1:{listener.getsockname()[1]}"), None)
    try:
        request = pdu.read_registers(3, 5, 20)
        for transaction in (7, 8):
            await link.send(mbap.encode(transaction, UNIT, request))
            (frame,) = mbap.Decoder().feed(joined(await heard(link, 49)))
            assert isinstance(frame, mbap.Adu)
            assert (frame.transaction, frame.unit) == (transaction, UNIT)
            assert pdu.registers_of(request, frame.pdu) == tuple(VALUES[5:25])
    finally:
        await link.close()
        server.stop()
        listener.close()
    assert server.answered == 2
