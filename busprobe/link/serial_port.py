"""A serial port, read by one blocking thread.

Theory of operation:

1. A thread reads `read(1)` and then whatever else is waiting, stamps the bytes at once and puts
   them into the inbox. Stamps do not depend on what the event loop is busy with. The interpreter's
   switch interval is lowered to 0.5 ms, which takes a busy loop out of the way of the stamp.
2. The time-out is set when the port is opened and never again: its setter reconfigures the whole
   port, and on Windows that corrupted the first byte sent (pyserial #394). The thread is stopped by
   `cancel_read`.
3. Some adapters put junk on their output when they are opened. It is kept like everything else;
   `settled_ns` tells until when bytes may be such junk.
4. The port is opened exclusively: a second program that reads along would steal bytes.
5. Where the system can, it marks characters that came with framing or parity errors
   (`link.character_marks`). Each setter of pyserial switches that off, so it is switched on again
   after it.
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import sys
import threading
from typing import Any

import serial

from busprobe.link.arrival import ArrivalFacts, PortHardware, arrival_facts
from busprobe.link.base import Framing, closed_error
from busprobe.link.character_marks import (
    MarkedStream,
    MarkSource,
    driver_of,
    mark_source,
    switch_marking_on,
)
from busprobe.link.inbox import Inbox, link_clock_ns
from busprobe.link.line_errors import LineErrors, read_line_errors
from busprobe.link.serial_errors import (
    error_number,
    losing_error,
    opening_error,
    settings_error,
)
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.line import NS_PER_S, Endpoint, LineSettings, Parity

# Only where `cancel_read` is missing does the thread depend on it to notice the end.
_READ_TIMEOUT_S = 0.2
# The longest frame fits the buffers of every driver, so a write that waits is a stalled adapter.
_WRITE_TIMEOUT_S = 2.0
_SWITCH_INTERVAL_S = 0.0005
# Junk after opening was seen for 50 to 100 ms (home-assistant.io pull request 28672).
SETTLING_NS = 100_000_000
# What pyserial and the system raise; `termios.error` is no OSError and has no name on Windows.
_TERMIOS_ERRORS: tuple[type[Exception], ...] = ()
with contextlib.suppress(ImportError):
    import termios

    _TERMIOS_ERRORS = (termios.error,)
_PORT_ERRORS: tuple[type[Exception], ...] = (OSError, ValueError, *_TERMIOS_ERRORS)


class SerialLink:
    """A serial port of this computer; made by `open_serial`."""

    framing = Framing.RTU

    def __init__(
        self,
        endpoint: Endpoint,
        settings: LineSettings,
        port: Any,
        facts: ArrivalFacts,
        marking: MarkSource | None = None,
    ) -> None:
        self._endpoint = endpoint
        self._settings = settings
        self._port = port
        self._facts = facts
        # None: the stream has no marks in it, and a good FF stands for itself.
        self._stream = None if marking is None else MarkedStream(marking)
        self._inbox = Inbox(fed_by_thread=True)
        self._closed = False
        self._stopping = threading.Event()
        self._line_free_ns = 0
        self.settled_ns = link_clock_ns() + SETTLING_NS
        sys.setswitchinterval(min(sys.getswitchinterval(), _SWITCH_INTERVAL_S))
        self._reader = threading.Thread(
            target=self._read_until_stopped, name=f"reader of {endpoint.target}", daemon=True
        )
        self._reader.start()

    @property
    def endpoint(self) -> Endpoint:
        """Where this link leads."""
        return self._endpoint

    @property
    def settings(self) -> LineSettings:
        """Line settings in force."""
        return self._settings

    @property
    def facts(self) -> ArrivalFacts:
        """What is known of the adapter's timing."""
        return self._facts

    @property
    def arrival_uncertainty_ns(self) -> int:
        """How late a received byte may be stamped [ns]; see `busprobe.link.arrival`."""
        return self._facts.arrival_ns(self._settings)

    def now(self) -> int:
        """The link's clock [ns]."""
        return link_clock_ns()

    def line_errors(self) -> LineErrors | None:
        """Error counters of the driver; None where they are unknown.

        Raises:
            LinkError: The link is closed.
        """
        self._raise_if_closed()
        return read_line_errors(self._port.fileno()) if os.name == "posix" else None

    async def send(self, data: bytes) -> Chunk:
        """Put bytes on the line; they start when what was sent before has left."""
        self._raise_if_closed()
        self._inbox.raise_if_lost()
        start = max(link_clock_ns(), self._line_free_ns)
        try:
            if os.name == "posix":
                self._port.write(data)
            else:
                # Drivers elsewhere may return only when the bytes have left.
                await asyncio.to_thread(self._port.write, data)
        except OSError as error:
            self._inbox.lose(losing_error(self._endpoint.target, error))
            self._inbox.raise_if_lost()
        self._line_free_ns = start + self._settings.duration_ns(len(data))
        return Chunk(Direction.SENT, start, bytes(data))

    async def receive(self, until_ns: int) -> Chunk | None:
        """Wait for the next chunk, no longer than `until_ns`."""
        self._raise_if_closed()
        return await self._inbox.take(until_ns)

    async def configure(self, settings: LineSettings) -> None:
        """Change the line settings once everything sent has left; the port stays open.

        Raises:
            LinkError: The driver refuses the settings (the old ones are in force again), or the
                port is lost.
        """
        self._raise_if_closed()
        self._inbox.raise_if_lost()
        still_sending_ns = self._line_free_ns - link_clock_ns()
        if still_sending_ns > 0:
            await asyncio.sleep(still_sending_ns / NS_PER_S)
        try:
            await asyncio.to_thread(self._change, settings)
        except _PORT_ERRORS as error:
            with contextlib.suppress(*_PORT_ERRORS):
                await asyncio.to_thread(self._change, self._settings)
            if isinstance(error, OSError) and error_number(error) not in (None, errno.EINVAL):
                raise losing_error(self._endpoint.target, error) from error
            raise settings_error(self._endpoint.target, settings) from error
        self._settings = settings

    def _change(self, settings: LineSettings) -> None:
        try:
            _apply(self._port, settings, self._facts.hardware)
        finally:
            if self._stream is not None:
                switch_marking_on(self._port.fileno())

    async def close(self) -> None:
        """Stop reading and release the port."""
        if self._closed:
            return
        self._closed = True
        self._stopping.set()
        self._inbox.lose(closed_error(self._endpoint.target))
        with contextlib.suppress(OSError, AttributeError):
            self._port.cancel_read()
        await asyncio.to_thread(self._release)

    def _release(self) -> None:
        self._reader.join()
        with contextlib.suppress(*_PORT_ERRORS):
            self._port.close()

    def _raise_if_closed(self) -> None:
        if self._closed:
            raise closed_error(self._endpoint.target)

    def _read_until_stopped(self) -> None:
        while not self._stopping.is_set():
            data = b""
            trouble: Exception | None = None
            try:
                data = self._port.read(1)
                if data:
                    data += self._port.read(self._port.in_waiting)
            except OSError as error:
                trouble = error
            self._put(data)
            if self._stream is not None and (trouble is not None or not data):
                # The system hands an escape over at once: what ended within one was none.
                self._put(self._stream.finish(), marked=False)
            if trouble is not None:
                if not self._stopping.is_set():
                    self._inbox.lose(losing_error(self._endpoint.target, trouble))
                return

    def _put(self, data: bytes, *, marked: bool = True) -> None:
        stamp, marks = link_clock_ns(), None
        if marked and self._stream is not None:
            data, marks = self._stream.feed(data, self._settings.parity)
        if data:
            self._inbox.put(
                Chunk(Direction.RECEIVED, stamp, data, self.arrival_uncertainty_ns, marks)
            )


def _apply(port: Any, settings: LineSettings, hardware: PortHardware) -> None:
    """Set what differs; each setter reconfigures the port."""
    if port.baudrate != settings.baud:
        port.baudrate = settings.baud
    if port.stopbits != settings.stop_bits:
        port.stopbits = settings.stop_bits
    if port.parity != settings.parity.value:
        try:
            port.parity = settings.parity.value
        except _TERMIOS_ERRORS:
            # A pseudo terminal has no parity: the system may report that nothing was changed
            # (EINVAL), and the bytes are the same.
            if hardware is not PortHardware.PSEUDO:
                raise


def _open(path: str, settings: LineSettings, hardware: PortHardware) -> Any:
    # A pseudo terminal is opened without parity first, because it may refuse the parity it was
    # opened with before.
    pseudo = hardware is PortHardware.PSEUDO
    port = serial.Serial(
        path,
        baudrate=settings.baud,
        parity=Parity.NONE.value if pseudo else settings.parity.value,
        stopbits=settings.stop_bits,
        timeout=_READ_TIMEOUT_S,
        write_timeout=_WRITE_TIMEOUT_S,
        exclusive=True,
    )
    # Not offered by every system and driver; what it changed is read back from the latency timer.
    with contextlib.suppress(ValueError, AttributeError, NotImplementedError, OSError):
        port.set_low_latency_mode(True)
    if pseudo:
        _apply(port, settings, hardware)
    return port


def _close_late(opening: asyncio.Future[Any]) -> None:
    if not opening.cancelled() and opening.exception() is None:
        opening.result().close()


async def open_serial(endpoint: Endpoint, settings: LineSettings) -> SerialLink:
    """Open a serial port of this computer.

    Args:
        endpoint: Its target is the name of the port.
        settings: The line settings to start with.

    Raises:
        LinkError: The port is missing, busy, forbidden, no serial port, or refuses the settings.
    """
    path = endpoint.target
    hardware = arrival_facts(path).hardware
    opening = asyncio.ensure_future(asyncio.to_thread(_open, path, settings, hardware))
    try:
        port = await asyncio.shield(opening)
    except asyncio.CancelledError:
        # The thread goes on; what it opens must not stay locked.
        opening.add_done_callback(_close_late)
        raise
    except _PORT_ERRORS as error:
        raise opening_error(path, settings, error) from error
    # After everything that configures the port.
    on = os.name == "posix" and switch_marking_on(port.fileno())
    marking = mark_source(driver_of(path)) if on else None
    # Asked again, because low latency mode has changed it.
    return SerialLink(endpoint, settings, port, arrival_facts(path), marking)
