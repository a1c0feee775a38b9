"""Serial numbers put together from what sticks out of collisions."""

from __future__ import annotations

import random
from collections.abc import Sequence

from crccheck.crc import CrcModbus
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.questions import SERIAL_REGISTERS
from busprobe.diagnosis.duplicate.serials import (
    MOST_PIECES,
    WHOLE,
    SerialPieces,
    frame_of,
    last_two,
    recover,
)
from busprobe.diagnosis.duplicate.tails import can_be_tail, possible_tails

SIZE = 2 * SERIAL_REGISTERS
ONE = b"TF30-118204".ljust(SIZE, b"\x00")
OTHER = b"TF30-120977".ljust(SIZE, b"\x00")


def seen(
    kind: Kind, contents: tuple[bytes, ...], head: bytes = b"", tail: bytes = b""
) -> Observation:
    """What one exchange gave."""
    return Observation(kind, 7, contents, head, tail, None, (), 1)


@given(st.binary(min_size=1, max_size=60), st.binary(min_size=2, max_size=2))
def test_two_bytes_follow_from_their_crc(before: bytes, value: bytes) -> None:
    # The CRC comes from the package crccheck, not from ours.
    crc = CrcModbus.calc(before + value).to_bytes(2, "little")
    assert last_two(before, crc) == value


def test_the_crc_of_one_register_is_different_for_every_value() -> None:
    before = bytes((1, 3, 2))
    crcs = {CrcModbus.calc(before + value.to_bytes(2, "big")) for value in range(0x10000)}
    assert len(crcs) == 0x10000


def listen(
    pieces: SerialPieces, first: bytes, hidden: bytes, starts: Sequence[int] = (0, 13, 15)
) -> int:
    """Let a device drown another of which the ends are heard; returns the exchanges.

    Args:
        pieces: Asks and learns.
        first: Serial number of the one that is heard.
        hidden: That of the other one.
        starts: Bits of the last two characters at which the receiver begins to hear it, in turn.
    """
    count = 0
    while (register := pieces.next_register()) is not None:
        part = slice(0, SIZE) if register == WHOLE else slice(2 * register, 2 * register + 2)
        size = SIZE if register == WHOLE else 2
        tail = heard_of(frame_of(1, 3, hidden[part])[-2:], starts[count % len(starts)])
        made = seen(Kind.TAIL, (bytes((size,)) + first[part],), tail=tail)
        if register == WHOLE:
            pieces.take_whole(made)
        else:
            pieces.take_register(register, made)
        count += 1
    return count


def heard_of(end: bytes, start: int) -> bytes:
    """What a receiver delivers of 8N1 characters that begins at a bit.

    Written apart from the code under test: a list of levels, walked bit by bit.
    """
    levels: list[int] = []
    for byte in end:
        levels += [0, *(byte >> i & 1 for i in range(8)), 1]
    levels = levels[start:] + [1] * 12
    heard = bytearray()
    at = 0
    while 0 in levels[at:]:
        at = levels.index(0, at)
        if at + 9 >= len(levels):
            break
        heard.append(sum(levels[at + 1 + i] << i for i in range(8)))
        at += 9
        while at < len(levels) and not levels[at]:
            at += 1
    return bytes(heard)


@given(st.binary(min_size=1, max_size=4), st.data())
def test_whatever_is_heard_of_an_end_is_expected(end: bytes, data: st.DataObject) -> None:
    start = data.draw(st.integers(0, 10 * len(end) - 1))
    heard = heard_of(end, start)
    assert heard == b"" or heard in possible_tails(end)
    assert heard == b"" or can_be_tail(heard, b"\x01\x03\x02" + end)


def test_the_hidden_serial_number_follows_from_what_sticks_out() -> None:
    for starts in ((0,), (0, 13, 15), (3, 5, 11)):
        pieces = SerialPieces(1, 3)
        tail = heard_of(frame_of(1, 3, OTHER)[-2:], starts[0])
        pieces.take_whole(seen(Kind.TAIL, (bytes((SIZE,)) + ONE,), tail=tail))
        assert pieces.serials == (ONE,)
        count = listen(pieces, ONE, OTHER, starts)
        assert set(pieces.serials) == {ONE, OTHER}
        assert count <= MOST_PIECES


def test_nothing_is_told_without_the_check_of_the_whole_answer() -> None:
    pieces = SerialPieces(1, 3)
    pieces.take_whole(seen(Kind.CLEAN, (bytes((SIZE,)) + ONE,)))
    count = 0
    while (register := pieces.next_register()) is not None:
        count += 1
        if register == WHOLE:
            pieces.take_whole(seen(Kind.CLEAN, (bytes((SIZE,)) + ONE,)))
            continue
        part = slice(2 * register, 2 * register + 2)
        tail = frame_of(1, 3, OTHER[part])[-3:]
        pieces.take_register(register, seen(Kind.TAIL, (b"\x02" + ONE[part],), tail=tail))
    assert pieces.serials == (ONE,)
    assert 0 < count <= MOST_PIECES + 8


@settings(max_examples=15, deadline=None)
@given(st.lists(st.binary(min_size=1, max_size=4), min_size=2, max_size=2, unique=True), st.data())
def test_noise_beside_answers_does_not_make_a_serial_number(
    tails: list[bytes], data: st.DataObject
) -> None:
    pieces = SerialPieces(1, 3)
    for tail in tails:
        pieces.take_whole(seen(Kind.TAIL, (bytes((SIZE,)) + ONE,), tail=tail))
    noise = data.draw(st.lists(st.binary(max_size=3), min_size=5, max_size=5))
    count = 0
    while (register := pieces.next_register()) is not None and count < 20:
        count += 1
        if register == WHOLE:
            pieces.take_whole(seen(Kind.CLEAN, (bytes((SIZE,)) + ONE,)))
            continue
        part = slice(2 * register, 2 * register + 2)
        pieces.take_register(
            register, seen(Kind.TAIL, (b"\x02" + ONE[part],), tail=noise[count % 5])
        )
    for serial in set(pieces.serials) - {ONE}:
        # Chance may do it: then every tail must be one of that serial number's answer.
        assert all(can_be_tail(tail, frame_of(1, 3, serial)) for tail in tails)


def test_two_halves_of_the_same_answer_make_a_whole_one() -> None:
    frame = frame_of(1, 3, OTHER)
    assert recover(1, 3, SIZE, [], [frame[:20], frame[14:]]) == (OTHER,)
    # A known answer of the same maker stands in for the head.
    assert recover(1, 3, SIZE, [ONE], [frame[8:]]) == (OTHER,)
    assert recover(1, 3, SIZE, [ONE], [frame[8:-1]]) == ()


def test_two_serial_numbers_with_one_check_do_not_make_a_third() -> None:
    # Their differences are the generator polynomial of the CRC, shifted: same check, other digits.
    first, second = (text.ljust(SIZE, b"\x00") for text in (b"792356", b"752697"))
    mixed = b"752656".ljust(SIZE, b"\x00")
    frame = frame_of(1, 3, first)
    assert frame[-2:] == frame_of(1, 3, mixed)[-2:]
    assert recover(1, 3, SIZE, [], [frame[:20], frame[14:]]) == (first,)
    # Once the end is known as that of the first, the head of the second makes no third of it.
    assert recover(1, 3, SIZE, [second], [frame[7:]], [first]) == ()
    assert mixed in recover(1, 3, SIZE, [second], [frame[7:]])


def test_what_does_not_read_as_a_serial_number_is_not_put_together() -> None:
    odd = frame_of(1, 3, b"QW0085179752QW00\xba\xaa\xba".ljust(SIZE, b"\x00"))
    assert recover(1, 3, SIZE, [], [odd[:20], odd[14:]]) == ()


def test_of_many_that_were_tried_one_fragment_is_no_proof() -> None:
    # A check of 16 bits fits one of 65 536: among many fragments, none of them right, some do.
    chance = random.Random(5)
    invented = 0
    for _ in range(40):
        heard = [chance.randbytes(30) for _ in range(12)]
        heard += [frame_of(1, 3, chance.randbytes(SIZE))[:34] for _ in range(8)]
        invented += len(recover(1, 3, SIZE, [chance.randbytes(SIZE) for _ in range(6)], heard))
    assert invented == 0
