import os
import struct
from pathlib import Path

from busprobe.link.line_errors import LineErrors, LineErrorSource, read_line_errors, unpack
from tests.conformance.far_ends import rfc2217_pair, serial_pair, tcp_pair


def test_the_counters_are_picked_from_their_places() -> None:
    # Linux, include/uapi/linux/serial.h: cts dsr rng dcd rx tx frame overrun parity brk
    # buf_overrun reserved[9].
    raw = struct.pack("20i", 1, 2, 3, 4, 100, 200, 7, 11, 13, 17, 19, *range(900, 909))
    assert unpack(raw) == LineErrors(framing=7, parity=13, overrun=30, breaks=17)


def test_what_happened_between_two_looks_is_their_difference() -> None:
    assert LineErrors(7, 5, 3, 1) - LineErrors(2, 2, 2, 0) == LineErrors(5, 3, 1, 1)


def test_a_file_without_counters_is_unknown() -> None:
    with Path(os.devnull).open("rb") as file:
        assert read_line_errors(file.fileno()) is None


async def test_a_pseudo_terminal_does_not_know() -> None:
    link, far = await serial_pair()
    assert isinstance(link, LineErrorSource)
    assert link.line_errors() is None
    await link.close()
    await far.close()


async def test_links_without_a_line_do_not_claim_to_know() -> None:
    link, far = await tcp_pair()
    assert not isinstance(link, LineErrorSource)
    await link.close()
    await far.close()
    remote, server = await rfc2217_pair()
    # The server of pyserial never agrees to tell line errors.
    assert isinstance(remote, LineErrorSource)
    assert remote.line_errors() is None
    await remote.close()
    await server.close()
