"""The simulated bus as a pseudo-terminal, for programs that open a serial port by name.

What a pseudo-terminal can do: carry bytes, and tell the rate that was set. What it cannot (measured
on Linux): pace (the pump does that), tell the parity bit or the character size (8E1 looks like
8N1), pass on breaks, framing or parity errors. So the rate is honoured, and the character format
stays that of the scenario. A second opening with parity even or odd fails with EINVAL in the
kernel.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import select
import termios
from dataclasses import replace
from pathlib import Path

from busprobe_sim.line.port import Port
from busprobe_sim.ports.serve_pump import Pump

_READ_SIZE = 4096
_OUTPUT_SPEED = 5
_SLOWEST_BAUD = 50
_LOOK_AGAIN_S = 0.005
_RATES = {
    getattr(termios, name): int(name[1:])
    for name in dir(termios)
    if name.startswith("B") and name[1:].isdigit() and name != "B0"
}


class PseudoTerminal:
    """A pseudo-terminal on a port of the line.

    While no program has it open, what the line says is lost, as at a closed serial port.

    Attributes:
        path: Name of the serial port for other programs.
    """

    def __init__(self, pump: Pump, port: Port) -> None:
        self._pump = pump
        self._port = port
        self._loop = asyncio.get_running_loop()
        self._again: asyncio.TimerHandle | None = None
        self._master, slave = os.openpty()
        self.path = Path(os.ttyname(slave))
        # From the first closing on, the master is told (by "hung up") that nobody has it open.
        os.close(slave)
        os.set_blocking(self._master, False)
        self._state = select.poll()
        self._state.register(self._master, 0)
        pump.attach(port, self._hear)
        self._loop.add_reader(self._master, self._readable)

    def _readable(self) -> None:
        try:
            data = os.read(self._master, _READ_SIZE)
        except BlockingIOError:
            return
        except OSError as error:
            if error.errno != errno.EIO:
                raise
            # Nobody has it open; asking all the time would keep the processor busy.
            self._loop.remove_reader(self._master)
            self._again = self._loop.call_later(_LOOK_AGAIN_S, self._look_again)
            return
        self._follow_rate()
        self._pump.write(self._port, data)

    def _look_again(self) -> None:
        self._again = None
        self._loop.add_reader(self._master, self._readable)

    def _is_open(self) -> bool:
        return not any(event & select.POLLHUP for _, event in self._state.poll(0))

    def _follow_rate(self) -> None:
        baud = _RATES.get(termios.tcgetattr(self._master)[_OUTPUT_SPEED])
        if baud is not None and baud >= _SLOWEST_BAUD:
            self._pump.configure(self._port, replace(self._port.settings, baud=baud))

    def _hear(self, data: bytes) -> None:
        if self._is_open():
            # A terminal that nobody reads fills up after some 20 kB; the rest is lost, as in a
            # UART.
            with contextlib.suppress(BlockingIOError):
                os.write(self._master, data)

    def close(self) -> None:
        """Take the terminal away, as when an adapter is unplugged."""
        if self._again is not None:
            self._again.cancel()
        self._loop.remove_reader(self._master)
        os.close(self._master)
