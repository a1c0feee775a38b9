from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.chunk import Chunk, Direction, Mark
from busprobe.recording.frames import frames_of
from busprobe.wire import mbap, rtu
from busprobe.wire.functions import Role
from tests.recording.recordings import (
    MS,
    READ_TWO,
    START_NS,
    TWO_REGISTERS,
    VISIT,
    received,
    sent,
)


def test_a_visit_is_cut_into_requests_answers_and_the_rest() -> None:
    frames = list(frames_of(VISIT, "rtu"))
    assert [(frame.direction, frame.role, frame.address) for frame in frames] == [
        (Direction.SENT, Role.REQUEST, 1),
        (Direction.RECEIVED, Role.RESPONSE, 1),
        (Direction.SENT, Role.REQUEST, 2),
        (Direction.SENT, Role.REQUEST, 3),
        (Direction.RECEIVED, Role.RESPONSE, 3),
        (Direction.RECEIVED, None, None),
    ]
    # The answer came in two pieces; it is stamped with the second.
    assert frames[1].t_ns == START_NS + 46 * MS
    assert frames[1].pdu == TWO_REGISTERS
    assert frames[5].data == b"\x00"


def test_an_echo_is_told_from_the_answer() -> None:
    request = rtu.encode(1, READ_TWO)
    frames = list(
        frames_of((sent(0, request), received(20, request + rtu.encode(1, TWO_REGISTERS))), "rtu")
    )
    assert [frame.role for frame in frames] == [Role.REQUEST, Role.REQUEST, Role.RESPONSE]


def test_modbus_tcp_is_cut_by_its_header() -> None:
    frames = list(
        frames_of(
            (
                sent(0, mbap.encode(1, 9, READ_TWO)),
                received(5, mbap.encode(1, 9, TWO_REGISTERS)[:5]),
                received(6, mbap.encode(1, 9, TWO_REGISTERS)[5:] + b"\x00\x01"),
            ),
            "mbap",
        )
    )
    assert [(frame.role, frame.address) for frame in frames] == [
        (Role.REQUEST, 9),
        (Role.RESPONSE, 9),
        (None, None),
    ]


def test_what_we_sent_that_is_no_frame_is_kept() -> None:
    (frame,) = frames_of((sent(0, b"\x01\x02"),), "rtu")
    assert (frame.role, frame.data, frame.pdu) == (None, b"\x01\x02", b"")


def test_no_frame_is_cut_in_hours_of_listening() -> None:
    # 12 000 polls of a foreign master, 17 bytes each, in chunks of 62 bytes as USB adapters do.
    poll = rtu.encode(7, READ_TWO) + rtu.encode(7, TWO_REGISTERS)
    stream = poll * 12_000
    chunks = [
        Chunk(
            Direction.RECEIVED,
            START_NS + at,
            stream[at : at + 62],
            marks=(Mark.GOOD,) * len(stream[at : at + 62]),
        )
        for at in range(0, len(stream), 62)
    ]
    frames = list(frames_of(chunks, "rtu"))
    assert [frame.role for frame in frames] == [Role.REQUEST, Role.RESPONSE] * 12_000
    times = [frame.t_ns for frame in frames]
    assert times == sorted(times)


_PIECES = st.one_of(
    st.binary(min_size=1, max_size=30),
    st.just(rtu.encode(1, READ_TWO)),
    st.just(rtu.encode(1, TWO_REGISTERS)),
)


@given(st.lists(st.tuples(st.booleans(), _PIECES), max_size=20), st.sampled_from(["rtu", "mbap"]))
def test_every_byte_comes_out_once_and_in_order(
    steps: list[tuple[bool, bytes]], framing: str
) -> None:
    chunks = [
        sent(number, data) if ours else received(number, data)
        for number, (ours, data) in enumerate(steps)
    ]
    frames = list(frames_of(chunks, framing))
    for direction in Direction:
        whole = b"".join(chunk.data for chunk in chunks if chunk.direction is direction)
        assert b"".join(f.data for f in frames if f.direction is direction) == whole
    assert [f.t_ns for f in frames] == sorted(f.t_ns for f in frames)
