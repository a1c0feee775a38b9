"""What the exchanges before tell of the next one."""

from __future__ import annotations

from busprobe.diagnosis.duplicate.observe import Kind, switching_of
from busprobe.diagnosis.duplicate.questions import questions
from busprobe.diagnosis.duplicate.reading import Reader
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

QUESTIONS = questions(40000, 3, None)
MARK = next(q for q in QUESTIONS if q.data)
SERIAL = next(q for q in QUESTIONS if q.serial)
ALL = next(q for q in QUESTIONS if q.fixed and q.pdu[4] == 70)
MARKED = answer(b"\x03\x04SunS")
ONE = answer(bytes((3, 32)) + b"TF30-118204".ljust(32, b"\x00"))
OTHER = answer(bytes((3, 32)) + b"TF30-120977".ljust(32, b"\x00"))


def test_a_second_answer_that_comes_during_the_next_request_is_known_by_its_end() -> None:
    reader = Reader(1, 3)
    assert reader.read(MARK, exchange(MARK.pdu, (20.0, MARKED))).kind is Kind.CLEAN
    # Its start is lost while we send, or lies under another answer.
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (1.0, MARKED[-6:]))).kind is Kind.TWO
    beside = exchange(SERIAL.pdu, (20.0, ONE + MARKED[-2:]))
    assert reader.read(SERIAL, beside).kind is Kind.TWO
    noise = exchange(SERIAL.pdu, (20.0, ONE + b"\x5a\x31"))
    assert reader.read(SERIAL, noise).kind is Kind.TAIL


def test_an_answer_that_is_late_is_no_second_one() -> None:
    reader = Reader(1, 3)
    reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, ONE)))
    reader.read(MARK, exchange(MARK.pdu))
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (5.0, MARKED), (80.0, ONE))).kind is Kind.LATE
    # Where silence means that nobody understood, nothing is owed.
    reader.read(MARK, exchange(MARK.pdu), may_be_silent=True)
    spoiled = exchange(SERIAL.pdu, (20.0, bytes((0x5F,)) + ONE[1:]))
    assert reader.read(SERIAL, spoiled).kind is Kind.START


def test_two_in_step_are_wrong_where_they_differ_and_in_the_check() -> None:
    reader = Reader(1, 3)
    reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, ONE)))
    forked = bytes(a | b for a, b in zip(ONE, OTHER, strict=True))
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, forked))).kind is Kind.FORKED
    burst = ONE[:-4] + b"\x11\x22\x33\x44"
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, burst))).kind is Kind.BROKEN
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, burst))).kind is Kind.AGAIN


def test_an_echo_that_lost_its_end_is_no_answer() -> None:
    adu = answer(SERIAL.pdu)
    reader = Reader(1, 3)
    late = exchange(SERIAL.pdu, (2.0, adu[:7]))
    assert reader.read(SERIAL, late).kind is Kind.SILENT
    assert reader.read(SERIAL, exchange(SERIAL.pdu, (2.0, adu[:7] + ONE))).kind is Kind.CLEAN


def test_a_line_that_speaks_at_once_says_nothing() -> None:
    reader = Reader(1, 3)
    babble = exchange(SERIAL.pdu, (0.5, bytes((0, 0x13, 0x80, 0x44, 0x21, 0x09)) + ONE))
    assert reader.read(SERIAL, babble).kind is Kind.BABBLE


def test_the_same_pulse_beside_every_answer_is_switching() -> None:
    reader = Reader(1, 3)
    steady = [reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, ONE + b"\xfc"))) for _ in range(4)]
    assert [o.kind for o in steady] == [Kind.PULSE] * 4
    assert switching_of(steady) == (b"", b"\xfc")
    now_and_then = [
        reader.read(SERIAL, exchange(SERIAL.pdu, (20.0, ONE + tail)))
        for tail in (b"\xfc", b"", b"\xf8", b"", b"\xfe")
    ]
    assert switching_of(now_and_then) is None


def test_the_longest_question_reads_all_that_identifies_a_device() -> None:
    # SunSpec common model: marker, ID and length before 66 registers (SunSpec Model Definitions,
    # model 1).
    assert pdu.response_length(ALL.pdu) == 2 + 2 * (2 + 2 + 66)
