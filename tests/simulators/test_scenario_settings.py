"""Address and rate of simulated devices can be changed, and only as their registers want it."""

from __future__ import annotations

import struct

from busprobe.link.base import Link
from busprobe.model.line import LineSettings
from busprobe.wire.crc import with_crc
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import load_scenario

NS = 1_000_000_000
READ_MARKER = "03 9C40 0002"


async def _ask(link: Link, address: int, pdu: bytes) -> bytes:
    await link.send(with_crc(bytes([address]) + pdu))
    end = link.now() + NS // 2
    heard = b""
    while chunk := await link.receive(end):
        heard += chunk.data
    return heard[1:-2]


def ask(link: Link, address: int, pdu: str) -> str:
    return run_virtual(_ask(link, address, bytes.fromhex(pdu))).hex(" ").upper()


def test_address_that_changes_at_once_answers_the_write_from_the_old_one() -> None:
    link = load_scenario("healthy").build().open_link()
    assert ask(link, 1, "03 1000 0001") == "03 02 00 01"
    assert ask(link, 1, "06 1000 0005") == "06 10 00 00 05"
    assert ask(link, 1, READ_MARKER) == ""
    assert ask(link, 5, READ_MARKER).startswith("03 04 53 75")
    assert ask(link, 5, "03 1000 0001") == "03 02 00 05"


def test_rate_that_changes_at_once() -> None:
    link = load_scenario("healthy").build().open_link()
    assert ask(link, 1, "06 1001 0002") == "06 10 01 00 02"
    assert ask(link, 1, READ_MARKER) == ""
    run_virtual(link.configure(LineSettings(19200)))
    assert ask(link, 1, READ_MARKER).startswith("03 04 53 75")


def test_locked_address_wants_unlocking_and_saving() -> None:
    link = load_scenario("healthy").build().open_link()
    assert ask(link, 2, "10 07D1 0001 02 0009") == "90 04"
    assert ask(link, 2, "10 07D0 0001 02 1A85") == "10 07 D0 00 01"
    assert ask(link, 2, "10 07D1 0001 02 0009") == "10 07 D1 00 01"
    assert ask(link, 2, READ_MARKER).startswith("03 04 53 75")
    assert ask(link, 2, "10 07DA 0001 02 0001") == "10 07 DA 00 01"
    assert ask(link, 2, READ_MARKER) == ""
    assert ask(link, 9, READ_MARKER).startswith("03 04 53 75")
    # Locked again.
    assert ask(link, 9, "10 07D1 0001 02 0002") == "90 04"


def test_nothing_else_can_be_written() -> None:
    link = load_scenario("healthy").build().open_link()
    for register in (0, 40000, 40072, 4095, 4098):
        pdu = struct.pack(">BHH", 6, register, 1).hex()
        assert ask(link, 1, pdu) == "86 02"
    assert ask(link, 10, "06 1000 0005") == "86 01"


def test_both_meters_on_one_address_take_the_write() -> None:
    bus = load_scenario("both-on-one-address").build()
    link = bus.open_link()
    ask(link, 1, "06 1000 0007")
    assert [station.address for station in bus.stations] == [7, 7]
