"""Serial numbers put together from what sticks out of collisions."""

from __future__ import annotations

from crccheck.crc import CrcModbus
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.duplicate.observe import Kind, Observation
from busprobe.diagnosis.duplicate.questions import SERIAL_REGISTERS
from busprobe.diagnosis.duplicate.serials import (
    MOST_PIECES,
    SerialPieces,
    frame_of,
    last_two,
    recover,
)

SIZE = 2 * SERIAL_REGISTERS
ONE = b"FM30-118204".ljust(SIZE, b"\x00")
OTHER = b"FM30-120977".ljust(SIZE, b"\x00")


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


def listen(pieces: SerialPieces, first: bytes, hidden: bytes, sticking_out: int) -> int:
    """Let a device drown another of which the last bytes are heard; returns the exchanges."""
    count = 0
    while (register := pieces.next_register()) is not None:
        place = slice(2 * register, 2 * register + 2)
        tail = frame_of(1, 3, hidden[place])[-sticking_out:]
        pieces.take_register(register, seen(Kind.TAIL, (b"\x02" + first[place],), tail=tail))
        count += 1
    return count


def test_the_hidden_serial_number_follows_from_two_bytes_for_each_register() -> None:
    pieces = SerialPieces(1, 3)
    whole = seen(Kind.TAIL, (bytes((SIZE,)) + ONE,), tail=frame_of(1, 3, OTHER)[-2:])
    pieces.take_whole(whole)
    assert pieces.serials == (ONE,)
    count = listen(pieces, ONE, OTHER, 2)
    assert set(pieces.serials) == {ONE, OTHER}
    assert count <= 14


def test_nothing_is_told_without_the_check_of_the_whole_answer() -> None:
    pieces = SerialPieces(1, 3)
    pieces.take_whole(seen(Kind.CLEAN, (bytes((SIZE,)) + ONE,)))
    assert listen(pieces, ONE, OTHER, 3) <= MOST_PIECES
    assert pieces.serials == (ONE,)


def test_both_follow_when_no_answer_to_the_whole_number_was_ever_right() -> None:
    pieces = SerialPieces(1, 3)
    pieces.take_whole(seen(Kind.LONG, (), head=b"\x11\x22" + frame_of(1, 3, OTHER)[-3:]))
    pieces.take_whole(seen(Kind.GARBLED, (), head=b"\x33" + frame_of(1, 3, ONE)[-4:]))
    listen(pieces, ONE, OTHER, 3)
    assert set(pieces.serials) == {ONE, OTHER}


@given(st.binary(min_size=2, max_size=12), st.data())
def test_wrong_tails_do_not_make_a_serial_number(tail: bytes, data: st.DataObject) -> None:
    """Noise instead of a second device: one check of 16 bits stands against 32 trials at most."""
    pieces = SerialPieces(1, 3)
    pieces.take_whole(seen(Kind.TAIL, (bytes((SIZE,)) + ONE,), tail=tail))
    while (register := pieces.next_register()) is not None:
        place = slice(2 * register, 2 * register + 2)
        noise = data.draw(st.binary(max_size=6))
        kind = Kind.TAIL if len(noise) > 1 else Kind.CLEAN
        pieces.take_register(register, seen(kind, (b"\x02" + ONE[place],), tail=noise))
    for serial in pieces.serials:
        assert serial == ONE or frame_of(1, 3, serial)[-2:] == tail[-2:]


def test_two_halves_of_the_same_answer_make_a_whole_one() -> None:
    frame = frame_of(1, 3, OTHER)
    assert recover(1, 3, SIZE, [], [frame[:20], frame[14:]]) == (OTHER,)
    # A known answer of the same maker stands in for the head.
    assert recover(1, 3, SIZE, [ONE], [frame[8:]]) == (OTHER,)
    assert recover(1, 3, SIZE, [ONE], [frame[8:-1]]) == ()
