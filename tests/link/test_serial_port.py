from __future__ import annotations

import asyncio
import os
import queue
import sys
import termios
import threading
from typing import Any

import pytest
import serial

from busprobe.link import serial_port
from busprobe.link.arrival import ArrivalFacts, PortHardware
from busprobe.link.inbox import link_clock_ns
from busprobe.link.serial_port import SETTLING_NS, SerialLink
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind, Parity
from tests.conformance.far_ends import serial_pair
from tests.conformance.link_kit import MS, PATIENCE_NS, heard, joined


class FakePort:
    """A port that does what a script says; stands in for hardware that fails.

    Each entry of the script is what `read(1)` gives or raises; `waiting` what comes after it.
    """

    def __init__(self, waiting: Any = b"") -> None:
        self.script: queue.Queue[Any] = queue.Queue()
        self.waiting = waiting
        self.baudrate, self.stopbits = 9600, 1
        self._parity = "N"
        self.refuse: Exception | None = None
        self.closed = False
        self.in_write: Exception | None = None

    def read(self, count: int) -> bytes:
        if count != 1:
            return bytes(self.waiting)
        item = self.script.get()
        if isinstance(item, Exception):
            raise item
        return bytes(item)

    @property
    def in_waiting(self) -> int:
        if isinstance(self.waiting, Exception):
            raise self.waiting
        return len(self.waiting) or 0

    @property
    def parity(self) -> str:
        return self._parity

    @parity.setter
    def parity(self, parity: str) -> None:
        if self.refuse is not None and parity != "N":
            raise self.refuse
        self._parity = parity

    def write(self, data: bytes) -> int:
        if self.in_write is not None:
            raise self.in_write
        return len(data)

    def cancel_read(self) -> None:
        self.script.put(b"")

    def close(self) -> None:
        self.closed = True


def link_on(
    port: FakePort, hardware: PortHardware = PortHardware.USB, settings: LineSettings | None = None
) -> SerialLink:
    endpoint = Endpoint("/dev/ttyFAKE", LinkKind.SERIAL, "/dev/ttyFAKE")
    return SerialLink(endpoint, settings or LineSettings(), port, ArrivalFacts(hardware))


async def test_junk_after_opening_is_kept_and_can_be_told() -> None:
    before = link_clock_ns()
    link, far = await serial_pair()
    assert isinstance(link, SerialLink)
    assert before + SETTLING_NS <= link.settled_ns <= link_clock_ns() + SETTLING_NS
    await far.write(b"\x00\xff")
    chunks = await heard(link, 2)
    assert joined(chunks) == b"\x00\xff"
    assert chunks[0].t_ns < link.settled_ns
    await link.close()
    await far.close()


async def test_a_port_that_dies_between_two_reads_loses_no_byte() -> None:
    port = FakePort(waiting=OSError(5, "Input/output error"))
    link = link_on(port)
    port.script.put(b"\x42")
    assert joined(await heard(link, 1)) == b"\x42"
    with pytest.raises(LinkError, match="unplugged"):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()
    assert port.closed


async def test_a_pulled_adapter_is_told_by_a_read() -> None:
    port = FakePort()
    link = link_on(port)
    port.script.put(serial.SerialException("read failed: [Errno 5] Input/output error"))
    with pytest.raises(LinkError, match="/dev/ttyFAKE was lost"):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (serial.SerialException("write failed: [Errno 5] Input/output error"), "unplugged"),
        (serial.SerialTimeoutException("Write timeout"), "takes no more bytes"),
    ],
)
async def test_a_pulled_or_stalled_adapter_is_told_by_a_write(error: Exception, words: str) -> None:
    port = FakePort()
    port.in_write = error
    link = link_on(port)
    with pytest.raises(LinkError, match=words):
        await link.send(b"\x01")
    with pytest.raises(LinkError, match=words):
        await link.receive(link.now() + PATIENCE_NS)
    await link.close()


async def test_what_is_sent_in_a_row_leaves_in_a_row() -> None:
    link = link_on(FakePort(), settings=LineSettings(1200, Parity.EVEN))
    before = link.now()
    first = await link.send(bytes(12))
    second = await link.send(b"\x01")
    # 12 characters of 11 bits at 1200 Bd take 110 ms.
    assert before <= first.t_ns <= link.now()
    assert second.t_ns - first.t_ns == 110 * MS
    await link.close()


async def test_settings_are_changed_only_after_everything_has_left() -> None:
    port = FakePort()
    link = link_on(port, settings=LineSettings(9600))
    sent = await link.send(bytes(10))
    await link.configure(LineSettings(19200, Parity.EVEN, 2))
    # 10 characters of 10 bits at 9600 Bd take 10.4 ms.
    assert link.now() >= sent.t_ns + 10_416_667
    assert (port.baudrate, port.parity, port.stopbits) == (19200, "E", 2)
    await link.close()


@pytest.mark.parametrize("refusal", [termios.error(22, "Invalid argument"), ValueError("no")])
async def test_refused_settings_leave_the_old_ones_in_force(refusal: Exception) -> None:
    port = FakePort()
    port.refuse = refusal
    link = link_on(port)
    with pytest.raises(LinkError, match="refuses 19200 8E1"):
        await link.configure(LineSettings(19200, Parity.EVEN))
    assert link.settings == LineSettings(9600)
    assert (port.baudrate, port.parity) == (9600, "N")
    await link.configure(LineSettings(19200))
    assert link.settings == LineSettings(19200)
    await link.close()


async def test_a_pseudo_terminal_may_refuse_parity_since_it_has_none() -> None:
    port = FakePort()
    port.refuse = termios.error(22, "Invalid argument")
    link = link_on(port, PortHardware.PSEUDO)
    await link.configure(LineSettings(19200, Parity.EVEN))
    assert link.settings == LineSettings(19200, Parity.EVEN)
    await link.close()


async def test_the_settings_reach_the_port() -> None:
    link, far = await serial_pair(LineSettings(19200, stop_bits=2))
    # Speed and stop bits of a pty are visible from its other side (Linux, measured).
    attributes = termios.tcgetattr(far._master)
    assert attributes[5] == termios.B19200
    assert attributes[2] & termios.CSTOPB
    await link.configure(LineSettings(2400))
    attributes = termios.tcgetattr(far._master)
    assert attributes[5] == termios.B2400
    assert not attributes[2] & termios.CSTOPB
    await link.close()
    await far.close()


@pytest.mark.parametrize("parity", list(Parity))
async def test_a_port_can_be_opened_again_with_the_same_settings(parity: Parity) -> None:
    settings = LineSettings(9600, parity)
    link, far = await serial_pair(settings)
    await link.close()
    from busprobe.link.serial_port import open_serial

    again = await open_serial(link.endpoint, settings)
    assert again.settings == settings
    await again.close()
    await far.close()


async def test_stamps_do_not_wait_for_a_busy_event_loop() -> None:
    link, far = await serial_pair()
    before = link.now()
    os.write(far._master, b"\x55")
    # The loop computes for 200 ms without ever giving way.
    while link.now() - before < 200 * MS:
        sum(range(1000))
    gave_way = link.now()
    (chunk,) = await heard(link, 1)
    assert before <= chunk.t_ns < gave_way
    assert sys.getswitchinterval() <= 0.0005
    await link.close()
    await far.close()


async def test_no_thread_is_left_behind() -> None:
    link, far = await serial_pair()
    name = f"reader of {link.endpoint.target}"
    assert name in {thread.name for thread in threading.enumerate()}
    await asyncio.gather(link.close(), link.close())
    assert name not in {thread.name for thread in threading.enumerate()}
    await far.close()


async def test_a_port_opened_after_we_gave_up_is_released(monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()
    released = asyncio.Event()
    loop = asyncio.get_running_loop()

    class Slow(FakePort):
        def close(self) -> None:
            super().close()
            loop.call_soon_threadsafe(released.set)

    def open_slowly(*_: object) -> Slow:
        begun.set()
        go_on.wait(20)
        return Slow()

    monkeypatch.setattr(serial_port, "_open", open_slowly)
    endpoint = Endpoint("/dev/ttyFAKE", LinkKind.SERIAL, "/dev/ttyFAKE")
    opening = asyncio.ensure_future(serial_port.open_serial(endpoint, LineSettings()))
    await asyncio.to_thread(begun.wait, 20)
    opening.cancel()
    with pytest.raises(asyncio.CancelledError):
        await opening
    go_on.set()
    async with asyncio.timeout(20):
        await released.wait()
    assert released.is_set()
