"""Finding RTU frames again: published vectors, field captures, and properties."""

import itertools
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU

from busprobe.wire.crc import is_intact, with_crc
from busprobe.wire.functions import Role
from busprobe.wire.likely import LIKELY, LIKELY_AS, LOOKAHEAD, POSSIBLE, POSSIBLE_LOOKAHEAD
from busprobe.wire.pdu import loop_back, read_bits, read_registers, report_server_id
from busprobe.wire.rtu import NEAR, Decoder, Piece, encode, split
from busprobe.wire.writing import write_register, write_registers
from tests.wire.spec_vectors import IDENTIFICATION, frames

H = bytes.fromhex
REQUEST, RESPONSE = Role.REQUEST, Role.RESPONSE


def shape(pieces):
    return [(piece.role, piece.data.hex(" ").upper()) for piece in pieces]


@pytest.mark.parametrize(("section", "is_request", "pdu", "frame"), frames())
def test_printed_examples_are_encoded_and_found(section, is_request, pdu, frame):
    assert encode(17, pdu) == frame
    role = REQUEST if is_request else RESPONSE
    (piece,) = split(frame, roles=(role,))
    assert (piece.role, piece.address, piece.pdu) == (role, 17, pdu)
    (piece,) = split(frame)
    # 6.5, 6.6, 6.8.2 and 6.16 send the request back: without context it is taken for one.
    same_both_ways = pdu[0] in (0x05, 0x06, 0x08, 0x16)
    assert piece.role is (REQUEST if same_both_ways else role)


def test_identification_has_no_length_field_and_is_found_all_the_same():
    frame = encode(17, IDENTIFICATION)
    # Computed with an independent routine: at address 17 the frame ends in 47 9E.
    assert frame[-2:] == H("47 9E")
    assert len(frame) == 58
    assert shape(split(b"\0" + frame + b"\0")) == [
        (None, "00"),
        (RESPONSE, frame.hex(" ").upper()),
        (None, "00"),
    ]


@pytest.mark.parametrize(
    ("source", "capture", "expected"),
    [
        (
            "libmodbus #304: undriven bus",
            "00 01 03 02 6D 60 94 FC",
            [(None, "00"), (RESPONSE, "01 03 02 6D 60 94 FC")],
        ),
        (
            "minimalmodbus #61: an exception hidden between zeros",
            "00 04 83 02 D0 F0 00",
            [(None, "00"), (RESPONSE, "04 83 02 D0 F0"), (None, "00")],
        ),
        (
            "libmodbus #380: echo, then the response",
            "02 02 00 00 00 08 79 FF 02 02 01 01 60 0C",
            [(REQUEST, "02 02 00 00 00 08 79 FF"), (RESPONSE, "02 02 01 01 60 0C")],
        ),
        (
            "libmodbus #283: an echo read one byte short",
            "01 03 01 31 00 01 D4",
            [(None, "01 03 01 31 00 01 D4")],
        ),
        (
            "esphome_modbus_bridge #23: driver released too late",
            "C5 30 00 01 48 F3",
            [(None, "C5 30 00 01 48 F3")],
        ),
        (
            "the same response whole",
            "15 04 02 00 01 48 F3",
            [(RESPONSE, "15 04 02 00 01 48 F3")],
        ),
        (
            "FluentModbus PR 75: intact with 7 and with 6 bytes",
            "01 04 02 03 01 78 00",
            [(RESPONSE, "01 04 02 03 01 78 00")],
        ),
        (
            "FluentModbus PR 75 with a zero after it",
            "01 04 02 03 01 78 00 00",
            [(RESPONSE, "01 04 02 03 01 78 00"), (None, "00")],
        ),
        (
            "CRC ends in 00, so the first 8 bytes are intact too",
            "01 03 04 42 48 03 92 EF 00",
            [(RESPONSE, "01 03 04 42 48 03 92 EF 00")],
        ),
        (
            "the same of function 4",
            "01 04 04 43 5C 5E B8 16 00",
            [(RESPONSE, "01 04 04 43 5C 5E B8 16 00")],
        ),
        (
            "home-assistant/core #69742: zeros after the frame",
            "15 04 02 00 01 48 F3 00 00 00",
            [(RESPONSE, "15 04 02 00 01 48 F3"), (None, "00 00 00")],
        ),
        ("CRC right, but no address", "FF FF 00 00 00 00 00 00", [(None, "FF FF" + " 00" * 6)]),
        (
            "A8 EA leaves the CRC register at its start",
            "A8 EA 01 03 02 6D 60 94 FC",
            [(None, "A8 EA"), (RESPONSE, "01 03 02 6D 60 94 FC")],
        ),
        (
            "simple request and a zero",
            "01 03 00 00 00 02 C4 0B 00",
            [(REQUEST, "01 03 00 00 00 02 C4 0B"), (None, "00")],
        ),
        (
            "pymodbus test/framer/test_framer.py: request, response, exception",
            "11 03 00 7C 00 02 07 43 11 03 04 00 8D 00 8E FB BD 11 83 02 C1 34",
            [
                (REQUEST, "11 03 00 7C 00 02 07 43"),
                (RESPONSE, "11 03 04 00 8D 00 8E FB BD"),
                (RESPONSE, "11 83 02 C1 34"),
            ],
        ),
    ],
)
def test_vectors_from_the_field(source, capture, expected):
    assert shape(split(H(capture))) == [(role, data) for role, data in expected], source


def test_request_at_04xx_and_a_stray_zero_are_told_apart_by_context():
    request = encode(1, read_registers(3, 0x0442, 2))
    heard = request + b"\0"
    as_response = [(RESPONSE, heard.hex(" ").upper())]
    as_request = [(REQUEST, request.hex(" ").upper()), (None, "00")]
    # Without any context both are possible; the longest is taken.
    assert shape(split(heard)) == as_response
    # Only one role can occur.
    assert shape(split(heard, roles=(REQUEST,))) == as_request
    # We sent just this: it is the echo.
    assert shape(split(heard, request=(1, request[1:-2]))) == as_request
    # After a response comes a request.
    before = encode(2, H("03 02 00 05"))
    assert shape(split(before + heard))[1:] == as_request
    # We asked for two registers: it is the answer.
    assert shape(split(heard, request=(1, read_registers(3, 0, 2)))) == as_response
    # After a request for two registers likewise.
    overheard = encode(1, read_registers(3, 0, 2))
    assert shape(split(overheard + heard))[1:] == as_response


def test_one_register_response_and_a_stray_zero():
    # 7 bytes and a 00 have the form of a request of 8 bytes, intact too. A request for more than
    # 125 registers would be illegal (application protocol, sections 6.3 and 6.4), so it is none.
    for value in range(0, 65536, 97):
        response = encode(9, bytes((4, 2)) + value.to_bytes(2, "big"))
        quantity = int.from_bytes(response[4:6], "big")
        pieces = split(response + b"\0", request=(9, read_registers(4, 0x3000, 1)))
        assert shape(pieces) == [(RESPONSE, response.hex(" ").upper()), (None, "00")]
        if not 1 <= quantity <= 125:
            assert split(response + b"\0") == pieces


def test_role_of_frames_that_look_alike_both_ways():
    write = encode(5, write_register(1, 2))
    assert [piece.role for piece in split(write * 4)] == [REQUEST, RESPONSE, REQUEST, RESPONSE]
    # A master that asks again without an answer.
    poll = encode(5, read_registers(3, 0, 1))
    assert [piece.role for piece in split(poll * 3)] == [REQUEST] * 3
    # 8 bytes of function 1 can be either; the pair tells.
    bits = encode(5, H("01 03 00 00 05"))
    assert [piece.role for piece in split(bits)] == [REQUEST]
    asked = encode(5, H("01 00 00 00 13"))
    assert [piece.role for piece in split(asked + bits)] == [REQUEST, RESPONSE]


def test_echo_of_a_loop_back():
    pdu = loop_back(0x1234)
    frame = encode(7, pdu)
    # Once: it is the answer. Twice: echo and answer.
    assert [piece.role for piece in split(frame, request=(7, pdu))] == [RESPONSE]
    assert [piece.role for piece in split(frame * 2, request=(7, pdu))] == [REQUEST, RESPONSE]
    refused = encode(7, H("88 01"))
    assert [p.role for p in split(frame + refused, request=(7, pdu))] == [REQUEST, RESPONSE]


def test_echo_of_a_read_stays_a_request():
    pdu = read_registers(3, 0, 2)
    assert [p.role for p in split(encode(7, pdu), request=(7, pdu))] == [REQUEST]


def test_broadcast_writes_of_a_foreign_master_are_seen_and_reads_are_not():
    write = with_crc(b"\0" + write_registers(0x10, [1, 2]))
    assert shape(split(write)) == [(REQUEST, write.hex(" ").upper())]
    read = with_crc(b"\0" + read_registers(3, 0, 1))
    assert shape(split(read)) == [(None, read.hex(" ").upper())]
    reserved = with_crc(b"\xf8" + read_registers(3, 0, 1))
    assert shape(split(reserved)) == [(None, reserved.hex(" ").upper())]


@pytest.mark.parametrize("address", [0, -1, 248, 255, 256])
def test_nothing_is_built_for_an_address_of_no_device(address):
    # Modbus over Serial Line V1.02, section 2.2.
    with pytest.raises(ValueError):
        encode(address, read_registers(3, 0, 1))


@pytest.mark.parametrize("pdu", [b"", bytes(254)])
def test_nothing_is_built_from_a_pdu_of_illegal_length(pdu):
    # MODBUS Application Protocol V1.1b3, section 4.1.
    with pytest.raises(ValueError):
        encode(1, pdu)


# -- properties ---------------------------------------------------------------------------------

ADDRESSES = st.integers(1, 247)
WORDS = st.integers(0, 0xFFFF)


def _pdu(function, body):
    return st.builds(lambda b: bytes((function,)) + b, body)


def _counted(function, step, most):
    return st.integers(1, most).flatmap(
        lambda n: st.binary(min_size=n * step, max_size=n * step).map(
            lambda data: bytes((function, n * step)) + data
        )
    )


READ_REQUESTS = st.builds(
    read_registers, st.sampled_from([3, 4]), st.integers(0, 65000), st.integers(1, 125)
)
RESPONSES = st.one_of(
    _counted(3, 2, 125),
    _counted(4, 2, 125),
    _counted(1, 1, 250),
    st.builds(
        lambda f, c: bytes((f | 0x80, c)), st.sampled_from([1, 3, 4, 0x2B]), st.integers(1, 11)
    ),
    st.just(IDENTIFICATION),
    _counted(0x11, 1, 60),
)
REQUESTS = st.one_of(
    READ_REQUESTS,
    st.builds(write_register, WORDS, WORDS),
    st.builds(write_registers, st.integers(0, 60000), st.lists(WORDS, min_size=1, max_size=30)),
    st.just(report_server_id()),
    st.just(H("2B 0E 01 00")),
    st.just(loop_back()),
)
FRAMES = st.builds(encode, ADDRESSES, st.one_of(REQUESTS, RESPONSES))
# Junk that cannot begin, complete or swallow a frame: 00 and FF, as glitches make them.
GLITCHES = st.lists(st.sampled_from([0x00, 0xFF]), max_size=6).map(bytes)


def portions(data, cuts):
    places = sorted({cut % (len(data) + 1) for cut in cuts} | {0, len(data)})
    return [data[a:b] for a, b in itertools.pairwise(places)]


STREAMS = st.lists(
    st.one_of(FRAMES, GLITCHES, st.binary(max_size=40), FRAMES.map(lambda f: f[:-1])), max_size=8
).map(b"".join)


@given(STREAMS, st.lists(st.integers(0, 4000), max_size=12))
@settings(max_examples=300)
def test_any_portions_give_the_same_pieces(data, cuts):
    whole = split(data)
    decoder = Decoder()
    pieces = [piece for part in portions(data, cuts) for piece in decoder.feed(part)]
    assert (*pieces, *decoder.flush()) == whole
    decoder = Decoder()
    pieces = [piece for byte in data for piece in decoder.feed(bytes((byte,)))]
    assert (*pieces, *decoder.flush()) == whole


@given(st.integers(0, 2**32), st.lists(st.integers(0, 9000), max_size=12))
@settings(max_examples=40)
def test_any_portions_give_the_same_pieces_far_from_frames(seed, cuts):
    noise = random.Random(seed).randbytes(NEAR * 8)
    frame = (
        encode(3, read_registers(3, 0, 2)) + encode(3, H("83 02")) + encode(0x21, H("06 0001 0002"))
    )
    data = noise[: NEAR * 4] + frame + noise[NEAR * 4 :] + frame
    decoder = Decoder()
    pieces = [piece for part in portions(data, cuts) for piece in decoder.feed(part)]
    assert (*pieces, *decoder.flush()) == split(data)


@given(STREAMS)
def test_no_byte_is_lost_and_no_damaged_frame_is_given(data):
    pieces = split(data)
    assert b"".join(piece.data for piece in pieces) == data
    at = 0
    for piece, following in itertools.zip_longest(pieces, pieces[1:]):
        assert piece.offset == at
        at += len(piece.data)
        assert not piece.framed or is_intact(piece.data)
        assert piece.framed or following is None or following.framed, "junk is kept in one piece"


@given(ADDRESSES, READ_REQUESTS, st.data(), GLITCHES, GLITCHES, GLITCHES)
def test_request_and_response_are_recovered_between_glitches(address, pdu, data, one, two, three):
    count = int.from_bytes(pdu[3:5], "big")
    registers = data.draw(st.binary(min_size=2 * count, max_size=2 * count))
    request = encode(address, pdu)
    response = encode(address, bytes((pdu[0], 2 * count)) + registers)
    heard = one + request + two + response + three
    expected = [
        Piece(offset, part, role)
        for offset, part, role in (
            (0, one, None),
            (len(one), request, REQUEST),
            (len(one + request), two, None),
            (len(one + request + two), response, RESPONSE),
            (len(one + request + two + response), three, None),
        )
        if part
    ]
    assert split(heard, request=(address, pdu)) == tuple(expected)


@given(ADDRESSES, st.one_of(REQUESTS, RESPONSES))
def test_frames_round_trip(address, pdu):
    frame = encode(address, pdu)
    (piece,) = split(frame)
    assert (piece.address, piece.pdu, piece.data) == (address, pdu, frame)
    assert FramerRTU.check_CRC(frame[:-2], int.from_bytes(frame[-2:], "big"))


@given(ADDRESSES, READ_REQUESTS)
def test_independent_framer_takes_our_requests(address, pdu):
    used, device, _, taken = FramerRTU(DecodePDU(True)).decode(encode(address, pdu))
    assert (used, device, taken) == (8, address, pdu)


def _exchange(rng):
    address, function = rng.randint(1, 247), rng.choice((3, 4))
    count = rng.choice((1, 2, 4, 10, 60, 125))
    request = encode(address, read_registers(function, rng.choice((0, 40000, 0x0400)), count))
    # Meter-like data: small numbers, many zeros.
    words = b"".join(
        rng.choice((0, rng.randrange(300), rng.randrange(65536))).to_bytes(2, "big")
        for _ in range(count)
    )
    return request, encode(address, bytes((function, 2 * count)) + words)


@pytest.mark.parametrize("bit_error_rate", [0.0, 1e-4])
def test_every_intact_frame_of_a_long_recording_is_recovered(bit_error_rate):
    rng = random.Random(20240607)
    data = bytearray()
    truth = {}
    for _ in range(1500):
        for role, frame in zip((REQUEST, RESPONSE), _exchange(rng), strict=True):
            if rng.random() < 0.2:
                data += bytes(rng.choice((0x00, 0xFF)) for _ in range(rng.randint(1, 3)))
            truth[len(data)] = (role, frame)
            data += frame
    for bit in range(len(data) * 8):
        if bit_error_rate and rng.random() < bit_error_rate:
            data[bit // 8] ^= 1 << bit % 8
    intact = {
        offset: (role, frame)
        for offset, (role, frame) in truth.items()
        if data[offset : offset + len(frame)] == frame
    }
    found = {piece.offset: (piece.role, piece.data) for piece in split(bytes(data)) if piece.framed}
    assert {offset: found.get(offset) for offset in intact} == intact
    assert found.keys() - intact.keys() == set(), "no frame where there is none"
    if bit_error_rate:
        assert len(intact) < len(truth)


def _mixed_exchange(rng):
    kind = rng.randrange(8)
    address = rng.randint(1, 247)
    if kind < 3:
        function, count = rng.choice((3, 4)), rng.choice((1, 2, 2, 4, 60, 125))
        # Registers at 02xx and 04xx: the requests that look like responses of 1 and 2 registers.
        request = read_registers(
            function, rng.choice((0, 0x0200, 0x0400)) + rng.randrange(256), count
        )
        response = bytes((function, 2 * count)) + rng.randbytes(2 * count)
    elif kind == 3:
        count = rng.randint(1, 200)
        request = read_bits(rng.choice((1, 2)), rng.choice((0, 0x0300, 40000)), count)
        response = bytes((request[0], (count + 7) // 8)) + rng.randbytes((count + 7) // 8)
    elif kind == 4:
        request = response = write_register(rng.randrange(65536), rng.randrange(65536))
    elif kind == 5:
        request = write_registers(rng.randrange(60000), [1, 2, 3])
        response = request[:5]
    elif kind == 6:
        request, response = H("2B 0E 01 00"), IDENTIFICATION
    else:
        server = rng.randbytes(rng.randint(3, 30))
        request, response = report_server_id(), bytes((0x11, len(server))) + server
    if rng.random() < 0.1:
        response = bytes((request[0] | 0x80, rng.choice((1, 2, 3, 4, 6, 11))))
    pair = [(REQUEST, encode(address, request)), (RESPONSE, encode(address, response))]
    return pair if rng.random() < 0.9 else pair[:1]


@pytest.mark.parametrize("junk", ["00", "00 or FF", "any"])
def test_every_frame_of_mixed_traffic_is_recovered_with_its_role(junk):
    # With a piece of junk before every third frame, and every tenth request unanswered.
    rng = random.Random(11)
    values = {"00": (0,), "00 or FF": (0, 255), "any": range(256)}[junk]
    data = bytearray()
    truth = {}
    while len(truth) < 3000:
        for role, frame in _mixed_exchange(rng):
            if rng.random() < 0.3:
                data += bytes(rng.choice(values) for _ in range(rng.randint(1, 4)))
            truth[len(data)] = (role, frame)
            data += frame
    found = {piece.offset: (piece.role, piece.data) for piece in split(bytes(data)) if piece.framed}
    assert found == truth


@pytest.mark.parametrize("junk_length", [1, 7, 60, 200])
def test_frames_of_every_public_function_are_found_behind_junk(junk_length):
    rng = random.Random(7)
    for section, is_request, _, frame in frames():
        junk = bytes(rng.choice((0xFF, 0xFE, 0xFC, 0xF8)) for _ in range(junk_length))
        pieces = split(junk + frame + junk)
        assert [piece.data for piece in pieces] == [junk, frame, junk], (section, is_request)


@given(
    st.binary(max_size=40),
    st.binary(max_size=40),
    st.binary(max_size=40),
    ADDRESSES,
    READ_REQUESTS,
    st.data(),
)
def test_request_and_response_are_recovered_from_any_junk(one, two, three, address, pdu, data):
    count = int.from_bytes(pdu[3:5], "big")
    registers = data.draw(st.binary(min_size=2 * count, max_size=2 * count))
    request = encode(address, pdu)
    response = encode(address, bytes((pdu[0], 2 * count)) + registers)
    heard = one + request + two + response + three
    found = {
        (piece.offset, piece.data, piece.role) for piece in split(heard, request=(address, pdu))
    }
    assert (len(one), request, REQUEST) in found
    assert (len(one + request + two), response, RESPONSE) in found


@given(st.integers(1, 247), st.sampled_from([1, 2, 3, 4, 5, 6, 8, 15, 16, 0x2B, 0x83, 0xAB]))
def test_likely_forms_keep_to_their_reach_and_the_search_leaves_out_none(address, function):
    rng = random.Random(address)
    for _ in range(100):
        body = bytes(rng.choice((0, 1, 2, 4, 14, 32, 123, 255)) for _ in range(10))
        data = bytes((address, function)) + body
        for form in LIKELY_AS.values():
            assert bool(form.match(data)) == bool(form.match(data[:LOOKAHEAD]))
        for form, reach in ((LIKELY, LOOKAHEAD), (POSSIBLE, POSSIBLE_LOOKAHEAD)):
            assert bool(form.match(data, 1)) == bool(form.match(data[:reach], 1))
        long_bits = function in (1, 2) and body[0] > 0x20
        if any(form.match(data) for form in LIKELY_AS.values()) and not long_bits:
            assert LIKELY.match(data, 1)
        if LIKELY.match(data, 1):
            assert POSSIBLE.match(data, 1)


def in_portions(data, size):
    decoder = Decoder()
    pieces = [p for at in range(0, len(data), size) for p in decoder.feed(data[at : at + size])]
    return (*pieces, *decoder.flush())


@pytest.mark.parametrize("size", [1, 100, 10_000])
@pytest.mark.parametrize(
    "pdu",
    [
        "07",  # 4 bytes with the CRC: noise looks like this every 17 MB
        "03 0400 FFFF",  # an illegal quantity (section 6.3)
        "C1 F4",  # an undefined exception to a user-defined function
    ],
)
def test_odd_forms_are_believed_near_frames_and_not_in_noise(pdu, size):
    frame = encode(17, H(pdu))
    poll = encode(3, read_registers(3, 0, 1))
    assert [piece.data for piece in in_portions(poll + frame, size)] == [poll, frame]
    lost = poll + b"\xff" * (NEAR + 10) + frame
    assert [piece.data for piece in in_portions(lost, size)] == [poll, lost[len(poll) :]]


@pytest.mark.parametrize("size", [1, 100])
def test_an_undefined_exception_to_an_unknown_function_must_follow_a_frame_at_once(size):
    frame = encode(17, H("C1 F4"))
    assert [piece.data for piece in in_portions(b"\xff" + frame, size)] == [b"\xff" + frame]


def test_offsets_go_on_after_a_silence():
    poll = encode(3, read_registers(3, 0, 1))
    decoder = Decoder()
    pieces = [*decoder.feed(b"\xff" + poll[:-1]), *decoder.flush()]
    assert decoder.pending == b""
    pieces += [*decoder.feed(poll[-1:] + poll), *decoder.flush()]
    # A frame does not reach across a silence.
    assert [(p.offset, p.data, p.framed) for p in pieces] == [
        (0, b"\xff" + poll[:-1], False),
        (8, poll[-1:], False),
        (9, poll, True),
    ]


def test_what_is_certain_is_given_at_once():
    refused = encode(3, H("83 02"))
    answer = encode(3, H("03 02 00 07"))
    for frame in (refused, answer, encode(3, H("03 14") + bytes(20))):
        decoder = Decoder()
        assert decoder.feed(frame[:-1]) == ()
        assert decoder.pending == frame[:-1]
        assert [piece.data for piece in decoder.feed(frame[-1:])] == [frame]
        assert decoder.pending == b""


def test_meter_traffic_is_found_behind_any_amount_of_noise():
    rng = random.Random(8)
    for _ in range(20):
        noise = bytes(rng.choice((0xFF, 0xFE, 0xFC, 0xF8)) for _ in range(3000))
        request, response = _exchange(rng)
        pieces = split(noise + request + response)
        assert [piece.data for piece in pieces if piece.framed] == [request, response]


def test_random_bytes_hold_next_to_no_frame():
    # Expected by the rules: about 0.3 in a million bytes.
    noise = random.Random(99).randbytes(1_000_000)
    assert sum(piece.framed for piece in split(noise)) <= 3
