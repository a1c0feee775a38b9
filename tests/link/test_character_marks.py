"""Error marks out of the stream of a POSIX terminal.

The stream is made here as the standard describes it (POSIX.1-2017, Base Definitions, 11.2.2): FF 00
X for a character X with a framing or parity error, FF 00 00 for a break, FF FF for a good FF.
"""

from __future__ import annotations

import os
import termios
import tty
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from busprobe.link.arrival import ArrivalFacts, PortHardware
from busprobe.link.character_marks import (
    MarkedStream,
    MarkSource,
    driver_of,
    mark_source,
    switch_marking_on,
)
from busprobe.link.serial_port import SerialLink
from busprobe.model.chunk import Mark
from busprobe.model.line import Endpoint, LineSettings, LinkKind, Parity
from tests.conformance.far_ends import serial_pair
from tests.conformance.link_kit import heard, joined
from tests.link.test_serial_port import FakePort

characters = st.lists(st.tuples(st.integers(0, 255), st.booleans()), max_size=60)


def as_delivered(value: int, wrong: bool) -> bytes:
    if wrong:
        return bytes((0xFF, 0x00, value))
    return b"\xff\xff" if value == 0xFF else bytes((value,))


@given(characters, st.lists(st.integers(0, 200), max_size=12), st.sampled_from(Parity))
@example([(0xFF, False), (0x00, False), (0xFF, True), (0x00, True)], [1, 2, 3, 4, 5, 6, 7], "N")
def test_every_character_comes_out_wherever_the_stream_is_cut(
    sent: list[tuple[int, bool]], cuts: list[int], parity: Parity
) -> None:
    raw = b"".join(as_delivered(value, wrong) for value, wrong in sent)
    stream = MarkedStream(MarkSource.BY_CHARACTER)
    data, marks = b"", list[Mark]()
    places = [0, *sorted(min(cut, len(raw)) for cut in cuts), len(raw)]
    for begin, end in pairwise(places):
        piece, its = stream.feed(raw[begin:end], parity)
        assert its is not None
        assert len(its) == len(piece)
        data, marks = data + piece, [*marks, *its]
    assert data == bytes(value for value, _ in sent)
    assert [mark is not Mark.GOOD for mark in marks] == [wrong for _, wrong in sent]
    assert stream.finish() == b""


@given(st.binary(max_size=60), st.lists(st.integers(0, 60), max_size=6))
def test_no_byte_string_is_refused_and_what_is_held_is_the_rest(
    raw: bytes, cuts: list[int]
) -> None:
    # Whatever comes, cutting changes nothing, and at most an unfinished escape is held back.
    whole = MarkedStream(MarkSource.BY_PACKET)
    expected = whole.feed(raw, Parity.NONE)
    rest = whole.finish()
    assert rest in (b"", b"\xff", b"\xff\x00")
    assert raw.endswith(rest)
    stream = MarkedStream(MarkSource.BY_PACKET)
    data, marks = b"", tuple[Mark, ...]()
    places = [0, *sorted(min(cut, len(raw)) for cut in cuts), len(raw)]
    for begin, end in pairwise(places):
        piece, its = stream.feed(raw[begin:end], Parity.NONE)
        data, marks = data + piece, marks + (its or ())
    assert (data, marks) == expected
    assert stream.finish() == rest


@pytest.mark.parametrize(
    ("source", "parity", "value", "mark"),
    [
        # Without parity only the stop bit can be wrong, and a 00 with a low stop bit is a break.
        (MarkSource.BY_CHARACTER, Parity.NONE, 0x41, Mark.FRAMING),
        (MarkSource.BY_CHARACTER, Parity.NONE, 0x00, Mark.BREAK),
        (MarkSource.BY_CHARACTER, Parity.EVEN, 0x41, Mark.DAMAGED),
        (MarkSource.BY_CHARACTER, Parity.ODD, 0x00, Mark.DAMAGED),
        (MarkSource.BY_PACKET, Parity.NONE, 0x41, Mark.DAMAGED),
        (MarkSource.UNKNOWN, Parity.NONE, 0x41, Mark.DAMAGED),
    ],
)
def test_what_a_mark_says(source: MarkSource, parity: Parity, value: int, mark: Mark) -> None:
    found = MarkedStream(source).feed(bytes((0x01, 0xFF, 0x00, value)), parity)
    assert found == (bytes((0x01, value)), (Mark.GOOD, mark))


def test_a_driver_that_may_never_mark_has_to_show_a_mark_first() -> None:
    stream = MarkedStream(MarkSource.UNKNOWN)
    assert stream.feed(b"\x01\xff\xff", Parity.NONE) == (b"\x01\xff", None)
    assert stream.feed(b"\xff\x00\x07", Parity.NONE) == (b"\x07", (Mark.DAMAGED,))
    assert stream.feed(b"\x02", Parity.NONE) == (b"\x02", (Mark.GOOD,))


@pytest.mark.parametrize(
    ("driver", "source"),
    [
        ("serial8250", MarkSource.BY_CHARACTER),
        ("cp210x", MarkSource.BY_CHARACTER),
        ("ftdi_sio", MarkSource.BY_PACKET),
        ("ch341-uart", MarkSource.UNKNOWN),
        ("", MarkSource.UNKNOWN),
    ],
)
def test_drivers(driver: str, source: MarkSource, tmp_path: Path) -> None:
    assert mark_source(driver) is source
    if driver:
        (tmp_path / "drivers" / driver).mkdir(parents=True)
        device = tmp_path / "class" / "tty" / "ttyX" / "device"
        device.mkdir(parents=True)
        (device / "driver").symlink_to(tmp_path / "drivers" / driver)
    assert driver_of("/dev/ttyX", tmp_path) == driver


def test_the_flags_are_set_and_only_on_a_terminal() -> None:
    master, slave = os.openpty()
    tty.setraw(slave)
    attributes = termios.tcgetattr(slave)
    attributes[0] |= termios.IGNPAR | termios.BRKINT
    termios.tcsetattr(slave, termios.TCSANOW, attributes)
    assert switch_marking_on(slave)
    flags = termios.tcgetattr(slave)[0]
    assert flags & termios.INPCK
    assert flags & termios.PARMRK
    assert not flags & (termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
    os.close(master)
    os.close(slave)
    with Path(os.devnull).open("rb") as file:
        assert not switch_marking_on(file.fileno())


async def test_a_port_is_marked_again_after_each_change_of_settings() -> None:
    # A pseudo terminal cannot signal an error (its kernel doubles FF and does nothing else), so
    # that marks stay unknown; that nothing is lost in FF, and the flags, can be seen.
    link, far = await serial_pair()
    assert isinstance(link, SerialLink)
    for settings in (LineSettings(9600), LineSettings(19200, Parity.EVEN), LineSettings(4800)):
        await link.configure(settings)
        flags = termios.tcgetattr(link._port.fileno())[0]
        assert flags & termios.PARMRK
        assert flags & termios.INPCK
        data = bytes((0xFF, 0x00, 0x42, 0xFF, 0xFF, 0x00, 0x00, 0x01, 0xFF))
        await far.write(data)
        chunks = await heard(link, len(data))
        assert joined(chunks) == data
        assert all(chunk.marks is None for chunk in chunks)
    await link.close()
    await far.close()


async def test_marks_reach_the_chunk() -> None:
    port = FakePort()
    endpoint = Endpoint("/dev/ttyFAKE", LinkKind.SERIAL, "/dev/ttyFAKE")
    facts = ArrivalFacts(PortHardware.ONBOARD)
    link = SerialLink(endpoint, LineSettings(9600), port, facts, MarkSource.BY_CHARACTER)
    port.script.put(b"\x01\xff")
    port.script.put(b"\x00\x03\x04\xff\xff")
    chunks = await heard(link, 4)
    assert joined(chunks) == b"\x01\x03\x04\xff"
    assert [mark for chunk in chunks for mark in chunk.marks or ()] == [
        Mark.GOOD, Mark.FRAMING, Mark.GOOD, Mark.GOOD,
    ]  # fmt: skip
    await link.close()


async def test_an_escape_that_never_ends_is_given_as_it_came() -> None:
    port = FakePort()
    endpoint = Endpoint("/dev/ttyFAKE", LinkKind.SERIAL, "/dev/ttyFAKE")
    facts = ArrivalFacts(PortHardware.ONBOARD)
    link = SerialLink(endpoint, LineSettings(9600), port, facts, MarkSource.BY_CHARACTER)
    port.script.put(b"\x01\xff")
    port.script.put(b"")
    chunks = await heard(link, 2)
    assert joined(chunks) == b"\x01\xff"
    assert chunks[-1].marks is None
    port.script.put(b"\x02\xff\x00")
    port.script.put(OSError(5, "Input/output error"))
    assert joined(await heard(link, 3)) == b"\x02\xff\x00"
    await link.close()
