"""Frames that arrive in the wrong read."""

from hypothesis import given
from hypothesis import strategies as st

from busprobe.wire.functions import Role
from busprobe.wire.rtu import encode, split
from busprobe.wire.stitching import stitch, turned

H = bytes.fromhex
REGISTERS = st.lists(st.integers(0, 0xFFFF), min_size=1, max_size=20)


def response(values):
    body = b"".join(value.to_bytes(2, "big") for value in values)
    return encode(4, bytes((3, len(body))) + body)


@given(st.lists(REGISTERS, min_size=2, max_size=5), st.integers(1, 3))
def test_a_rolling_response_is_put_together_again(answers, held):
    # Each read holds the last bytes of the response before and lacks its own (ESPHome #10338).
    frames = [response(values) for values in answers]
    stream = b"".join(frames)
    bounds = [0]
    for frame in frames[:-1]:
        bounds.append(bounds[-1] + len(frame) - (held if len(bounds) == 1 else 0))
    reads = [stream[a:b] for a, b in zip(bounds, (*bounds[1:], len(stream)), strict=True)]
    for before, after, whole in zip(reads, reads[1:], frames, strict=False):
        found = stitch(before, after)
        assert found is not None
        assert (found.data, found.role, found.moved) == (whole, Role.RESPONSE, held)


@given(REGISTERS, st.integers(1, 3))
def test_equal_responses_roll_into_turned_frames(values, held):
    frame = response(values)
    read = frame[-held:] + frame[:-held]
    found = turned(read)
    assert found is not None
    assert (found.data, found.moved) == (frame, held)


def test_published_shape():
    # pymodbus #207 "rolling response", with the frame of libmodbus #304.
    found = turned(H("FC 01 03 02 6D 60 94"))
    assert found is not None
    assert found.data == H("01 03 02 6D 60 94 FC")


@given(REGISTERS, st.binary(min_size=1, max_size=12))
def test_a_last_byte_that_never_comes_is_not_invented(values, later):
    # pymodbus #2193: 20 of 21 bytes, and the last one is not in the next read.
    frame = response(values)
    found = stitch(frame[:-1], later)
    assert (found is not None) == (later[0] == frame[-1])
    assert turned(frame[:-1]) is None


def test_whole_frames_are_neither_stitched_nor_turned():
    frame = response([1, 2, 3])
    assert split(frame)[0].framed
    assert turned(frame) is None
    assert stitch(b"", frame) is None
    assert stitch(frame, frame) is None
    assert turned(b"") is None
    assert turned(b"\0\0\0\0\0\0") is None
