"""The quick look for an answer never overlooks one that the whole look finds."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.wire.crc import with_crc
from busprobe.wire.pdu import loop_back, matches, read_bits, read_registers, report_server_id
from busprobe.wire.rtu import encode, may_hold_answer, split
from busprobe.wire.writing import write_register
from tests.wire.spec_vectors import frames

REQUESTS = (
    read_registers(3, 0x1234, 2),
    read_registers(4, 0, 60),
    read_bits(1, 0, 9),
    report_server_id(),
    loop_back(),
    write_register(3, 0x0102),
)
ANSWERS = (
    bytes([3, 4, 1, 2, 3, 4]),
    bytes([4, 120]) + bytes(range(120)),
    bytes([1, 2, 0xCD, 1]),
    bytes([17, 3, 5, 255, 0]),
    b"\x08\0\0\xa5\x37",
    bytes([6, 0, 3, 1, 2]),
    *(bytes([code | 0x80, 2]) for code in (1, 3, 4, 6, 8, 17)),
)


def finds(data, address, request):
    return any(
        piece.framed and piece.address == address and matches(request, piece.pdu)
        for piece in split(data, request=(address, request))
    )


@given(
    address=st.sampled_from([1, 3, 17, 247]),
    request=st.sampled_from(REQUESTS),
    parts=st.lists(
        st.one_of(
            st.binary(max_size=9),
            st.sampled_from(ANSWERS).map(lambda answer: encode(17, answer)),
            st.sampled_from(ANSWERS).map(lambda answer: encode(3, answer)),
            st.sampled_from(REQUESTS).map(lambda request: encode(17, request)),
        ),
        max_size=5,
    ),
    cut=st.integers(0, 12),
)
def test_what_the_whole_look_finds_the_glance_suspects(address, request, parts, cut):
    data = b"".join(parts)
    data = data[: len(data) - cut]
    if finds(data, address, request):
        assert may_hold_answer(data, address, request[0])


@pytest.mark.parametrize(
    ("pdu", "frame"), [(pdu, frame) for _, is_request, pdu, frame in frames() if not is_request]
)
def test_a_printed_response_is_suspected_once_it_is_whole(pdu, frame):
    function = pdu[0] & 0x7F
    assert may_hold_answer(bytearray(b"\0\x11" + frame), 17, function)
    assert not may_hold_answer(frame[:-1], 17, function)
    assert not may_hold_answer(frame, 18, function)
    assert not may_hold_answer(frame, 17, function ^ 0x40)


def test_noise_is_seldom_suspected():
    # An intact end by chance: once in 65 536 places that have address and function.
    noise = random.Random(5).randbytes(200_000)
    assert sum(may_hold_answer(noise[i : i + 400], 17, 3) for i in range(0, 200_000, 400)) <= 2
    assert may_hold_answer(noise[:50] + with_crc(b"\x11\x83\x02"), 17, 3)
