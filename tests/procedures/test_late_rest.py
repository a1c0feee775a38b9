"""An answer whose end is handed over after the exchange has ended."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.duplicate import DuplicateTest
from busprobe.diagnosis.duplicate.observe import Kind, joined_runs_of, observe
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.line import LineSettings
from busprobe.procedures.check_duplicate import with_silence
from busprobe.procedures.late_rest import with_late_rest
from busprobe.wire import pdu
from busprobe.wire.crc import with_crc
from diagnosis.duplicate.handmade import answer, exchange

LINE = LineSettings(9600)
READ = pdu.read_registers(3, 40052, 4)
GOOD = answer(bytes((3, 8)) + b"TF30-118")
MS = 1_000_000


def late(made: Exchange, after_ms: float, data: bytes) -> Chunk:
    """Bytes that were handed over so long after the last of an exchange."""
    return Chunk(
        Direction.RECEIVED, made.chunks[-1].t_ns + round(after_ms * MS), data, 4 * MS, None
    )


@pytest.mark.parametrize(
    ("behind", "kind"), [(b"", Kind.CLEAN), (b"\x5d", Kind.SPECK), (b"\x21\x77", Kind.TAIL)]
)
@pytest.mark.parametrize("cut", [1, 5, 12])
def test_both_parts_are_one_answer_with_what_is_behind_it(
    cut: int, behind: bytes, kind: Kind
) -> None:
    begun = exchange(READ, (20.0, GOOD[:cut]))
    rest = late(begun, 49.0, GOOD[cut:] + behind)
    whole, left = with_late_rest(begun, (rest,), LINE)
    assert left == ()
    assert whole.answer is not None
    assert whole.answer.raw == GOOD
    assert whole.outcome is (Outcome.CROWDED if behind else Outcome.ANSWERED)
    assert [run.data for run in joined_runs_of(whole)] == [GOOD + behind]
    assert observe(whole).kind is kind


def test_what_makes_no_answer_whole_is_left_alone() -> None:
    begun = exchange(READ, (20.0, GOOD[:5]))
    for stray in (b"\x00\x00", GOOD[6:], GOOD[5:-1] + b"\x00"):
        rest = late(begun, 49.0, stray)
        assert with_late_rest(begun, (rest,), LINE) == (begun, (rest,))
    # A whole one that came later is the late answer of somebody, or a second one.
    silent = exchange(READ)
    second = late(begun, 49.0, GOOD)
    assert with_late_rest(silent, (second,), LINE) == (silent, (second,))
    assert with_late_rest(begun, (second,), LINE) == (begun, (second,))
    # Nor has a whole answer a rest.
    sound = exchange(READ, (20.0, GOOD))
    assert with_late_rest(sound, (rest,), LINE) == (sound, (rest,))


SERIAL = b"TF30-118204".ljust(32, b"\x00")


def reply(request: bytes) -> bytes:
    """What a meter with a map of its own says to a read."""
    start, count = int.from_bytes(request[1:3], "big"), int.from_bytes(request[3:5], "big")
    memory = (b"SunS\x00\x01\x00\x42" + b"Trollfen".ljust(96, b"\x00") + SERIAL).ljust(400, b"\x07")
    offset = 2 * (start - 40000)
    return with_crc(bytes((1, 3, 2 * count)) + memory[offset : offset + 2 * count])


@pytest.mark.parametrize(("behind", "verdict"), [(b"", "single"), (b"\x2d\xf9\x31", "duplicate")])
def test_a_busy_computer_hides_no_second_device_and_makes_none(behind: bytes, verdict: str) -> None:
    # Every other answer is cut, and its end handed over with the silence that follows.
    test = DuplicateTest(1, 40000)
    number = 0
    while (probe := test.next_request()) is not None:
        number += 1
        said = reply(probe.pdu)
        tail = behind if number % 3 else b""
        if number % 2:
            made, stray = exchange(probe.pdu, (20.0, said + tail)), ()
        else:
            made = exchange(probe.pdu, (20.0, said[:5]))
            made, stray = with_silence(made, (late(made, 49.0, said[5:] + tail),), LINE)
        test.take(made, stray)
    assert test.verdict.verdict == verdict
    assert number < 40
