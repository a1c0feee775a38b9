"""The simulated bus as a remote serial port by RFC 2217, settings included.

The Telnet part is pyserial's `PortManager`; here is the serial port it manages.
"""

from __future__ import annotations

import asyncio
import struct

from serial.rfc2217 import PortManager

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.line.port import Port
from busprobe_sim.ports.serve_pump import Pump

_READ_SIZE = 4096


class ManagedPort:
    """What `PortManager` takes for a serial port: attributes that act on a port of the line.

    Data bits other than 8, and rates, parities or stop bits that a line cannot have, raise
    `ValueError`, which the manager answers by telling the setting that stays in force.
    """

    cts = True
    dsr = True
    ri = False
    cd = True
    rts = True
    dtr = True
    xonxoff = False
    rtscts = False
    break_condition = False

    def __init__(self, pump: Pump, port: Port) -> None:
        self._pump = pump
        self._port = port

    def _set(self, baud: int, parity: str, stop_bits: float) -> None:
        if parity not in tuple(Parity) or stop_bits not in (1, 2):
            raise ValueError("not a setting of a Modbus line")
        try:
            settings = LineSettings(baud, Parity(parity), int(stop_bits))
        except InputError as error:
            raise ValueError(error.cause) from None
        self._pump.configure(self._port, settings)

    @property
    def baudrate(self) -> int:
        """Rate [bit/s]."""
        return self._port.settings.baud

    @baudrate.setter
    def baudrate(self, value: int) -> None:
        now = self._port.settings
        self._set(value, now.parity, now.stop_bits)

    @property
    def bytesize(self) -> int:
        """Data bits."""
        return 8

    @bytesize.setter
    def bytesize(self, value: int) -> None:
        if value != self.bytesize:
            raise ValueError("a Modbus RTU line has 8 data bits")

    @property
    def parity(self) -> str:
        """Parity by its letter."""
        return self._port.settings.parity.value

    @parity.setter
    def parity(self, value: str) -> None:
        now = self._port.settings
        self._set(now.baud, value, now.stop_bits)

    @property
    def stopbits(self) -> float:
        """Stop bits."""
        return self._port.settings.stop_bits

    @stopbits.setter
    def stopbits(self, value: float) -> None:
        now = self._port.settings
        self._set(now.baud, now.parity, value)

    def reset_input_buffer(self) -> None:
        """Nothing is kept here: what was heard has been sent on."""

    def reset_output_buffer(self) -> None:
        """Nothing is kept here: what was written is on the line."""


class RemotePort:
    """A serial port for one client after the other; a second one at a time is turned away."""

    def __init__(self, pump: Pump, port: Port) -> None:
        self._pump = pump
        self._port = port
        self._managed = ManagedPort(pump, port)
        self._client: tuple[PortManager, asyncio.StreamWriter] | None = None
        pump.attach(port, self._hear)

    def _hear(self, data: bytes) -> None:
        if self._client is not None:
            manager, writer = self._client
            writer.write(b"".join(manager.escape(data)))

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection."""
        if self._client is not None:
            return
        manager = PortManager(self._managed, writer)
        self._client = manager, writer
        try:
            while data := await reader.read(_READ_SIZE):
                sent = b"".join(manager.filter(data))
                if sent:
                    self._pump.write(self._port, sent)
        except (KeyError, struct.error):
            # A setting that the protocol does not know: this client cannot be served.
            return
        finally:
            self._client = None
