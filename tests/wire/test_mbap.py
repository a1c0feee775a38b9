"""Modbus TCP frames: the printed example, an independent framer, and broken streams."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerSocket
from pymodbus.pdu import DecodePDU

from busprobe.wire.mbap import Adu, Decoder, Malformed, encode
from busprobe.wire.pdu import read_registers

H = bytes.fromhex


def decoded(*portions):
    decoder = Decoder()
    pieces = [piece for portion in portions for piece in decoder.feed(portion)]
    return (*pieces, *decoder.flush())


def test_printed_example():
    # MODBUS Messaging on TCP/IP V1.0b, section 4.4.1.2: read register #5 of a server.
    frame = H("15 01 00 00 00 06 FF 03 00 04 00 01")
    assert encode(0x1501, 0xFF, read_registers(3, 4, 1)) == frame
    assert decoded(frame) == (Adu(0x1501, 0xFF, H("03 00 04 00 01"), frame),)


def test_published_frame():
    # pymodbus test/framer/test_framer.py.
    frame = H("0C 05 00 00 00 06 11 03 00 7C 00 02")
    assert encode(0x0C05, 17, read_registers(3, 0x7C, 2)) == frame


@given(st.integers(0, 65535), st.integers(0, 255), st.integers(0, 65000), st.integers(1, 125))
def test_independent_framer_takes_our_frames(transaction, unit, address, quantity):
    pdu = read_registers(3, address, quantity)
    used, device, number, taken = FramerSocket(DecodePDU(True)).decode(
        encode(transaction, unit, pdu)
    )
    assert (used, device, number, taken) == (12, unit, transaction, pdu)


ADUS = st.tuples(st.integers(0, 65535), st.integers(0, 255), st.binary(min_size=1, max_size=253))


@given(st.lists(ADUS, max_size=6), st.lists(st.integers(0, 2000), max_size=8))
def test_any_portions_give_every_frame(adus, cuts):
    raw = [encode(*adu) for adu in adus]
    stream = b"".join(raw)
    expected = tuple(Adu(*adu, data) for adu, data in zip(adus, raw, strict=True))
    assert decoded(stream) == expected
    assert decoded(*(bytes((byte,)) for byte in stream)) == expected
    places = sorted({cut % (len(stream) + 1) for cut in cuts} | {0, len(stream)})
    assert decoded(*(stream[a:b] for a, b in itertools.pairwise(places))) == expected


@given(st.lists(st.one_of(ADUS.map(lambda a: encode(*a)), st.binary(max_size=30)), max_size=6))
def test_broken_streams_lose_no_byte_and_portions_do_not_matter(parts):
    stream = b"".join(parts)
    pieces = decoded(stream)
    raw = b"".join(piece.raw if isinstance(piece, Adu) else piece.data for piece in pieces)
    assert raw == stream
    assert decoded(*(bytes((byte,)) for byte in stream)) == pieces
    assert all(piece.reason for piece in pieces if isinstance(piece, Malformed))
    for piece in pieces:
        if isinstance(piece, Adu):
            assert encode(piece.transaction, piece.unit, piece.pdu) == piece.raw


@pytest.mark.parametrize(
    ("broken", "reason"),
    [
        ("00 01 00 07 00 06 01 03 00 00 00 01", "protocol id 0007 where Modbus has 0000"),
        ("00 01 00 00 01 00 01 03 00 00 00 01", "length 256 is more than the 254 bytes"),
        ("00 01 00 00 00 01 01", "length 1 leaves no room"),
        ("00 01 00 00 00 00", "length 0 leaves no room"),
        # RTU spoken to a Modbus TCP port.
        ("01 03 9C 40 00 02 EB 8F", "protocol id 9C40 where Modbus has 0000"),
    ],
)
def test_the_frame_after_a_broken_one_is_found(broken, reason):
    good = encode(2, 1, read_registers(3, 40000, 2))
    bad, adu = decoded(H(broken) + good)
    assert isinstance(bad, Malformed)
    assert bad.data == H(broken)
    assert reason in bad.reason
    assert adu == Adu(2, 1, good[7:], good)


def test_the_longest_frame_and_one_byte_more():
    # MODBUS Messaging on TCP/IP V1.0b, section 3.1.3, with a PDU of at most 253 bytes.
    longest = encode(1, 1, bytes((3, 250)) + bytes(251))
    assert decoded(longest) == (Adu(1, 1, longest[7:], longest),)
    more = longest[:4] + (255).to_bytes(2, "big") + longest[6:] + b"\0"
    assert not any(isinstance(piece, Adu) and piece.transaction == 1 for piece in decoded(more))


def test_each_malformed_piece_has_its_own_reason():
    good = encode(2, 1, read_registers(3, 40000, 2))
    first, _, second, _ = decoded(
        H("00 01 00 07 00 06 01 03 00 00 00 01") + good + H("00 01 00 00 00 01 01") + good
    )
    assert isinstance(first, Malformed)
    assert isinstance(second, Malformed)
    assert "protocol id" in first.reason
    assert "leaves no room" in second.reason


def test_cut_off_frames_are_told():
    frame = encode(2, 1, read_registers(3, 40000, 2))
    for length in range(1, len(frame)):
        (rest,) = decoded(frame[:length])
        assert isinstance(rest, Malformed)
        assert rest.data == frame[:length]
        assert rest.reason.startswith("cut off:")


def test_pending_bytes_are_shown():
    decoder = Decoder()
    assert decoder.feed(b"\0\1\0\0") == ()
    assert decoder.pending == b"\0\1\0\0"


@pytest.mark.parametrize(
    ("transaction", "unit", "pdu"),
    [(65536, 1, b"\3"), (-1, 1, b"\3"), (0, 256, b"\3"), (0, 1, b""), (0, 1, bytes(254))],
)
def test_illegal_parts_are_refused(transaction, unit, pdu):
    with pytest.raises(ValueError):
        encode(transaction, unit, pdu)
