"""A line that speaks by itself."""

from __future__ import annotations

import random

from busprobe.diagnosis.duplicate import DuplicateTest
from busprobe.diagnosis.duplicate.idle import IdleLine
from busprobe.diagnosis.duplicate.observe import Kind
from busprobe.model.exchange import Unframed
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

MS = 1_000_000
BABBLE = (Unframed(bytes.fromhex("F7 FB 7F EF"), 0),)
PULSES = (Unframed(bytes.fromhex("00 F0 F8 FE"), 0),)
SAG = (Unframed(b"\x00", 0),)


def test_a_line_that_sags_now_and_then_does_not_speak() -> None:
    line = IdleLine(1)
    for _ in range(10):
        line.take(SAG, 100 * MS)
    assert not line.speaks
    assert line.is_known
    assert line.weighed_as(Kind.TAIL) is Kind.TAIL


def test_many_pulses_make_a_line_restless_and_bytes_beside_answers_still_count() -> None:
    line = IdleLine(1)
    for _ in range(4):
        line.take(PULSES, 500 * MS)
    assert line.is_restless
    assert not line.speaks
    assert line.weighed_as(Kind.TAIL) is Kind.TAIL


def test_what_lies_beside_answers_says_nothing_on_a_line_that_speaks() -> None:
    line = IdleLine(1)
    line.take(BABBLE, 20 * MS)
    assert not line.is_known
    line.take(BABBLE, 20 * MS)
    assert line.speaks
    assert line.is_known
    assert line.weighed_as(Kind.TAIL) is Kind.CLEAN
    assert line.weighed_as(Kind.LONG) is None
    # Noise has no second valid answer.
    assert line.weighed_as(Kind.TWO) is Kind.TWO


def test_a_late_answer_is_no_noise() -> None:
    line = IdleLine(1)
    for _ in range(3):
        line.take((Unframed(bytes.fromhex("01 03 20 46 4D 33"), 0),), 20 * MS)
    assert not line.speaks


def _asked(*, speaks: bool) -> tuple[str, int]:
    """Every second answer has noise behind it; verdict, and the longest silence asked for [ns]."""
    noise = random.Random(7)
    test = DuplicateTest(1, None)
    count, longest = 0, 0
    while (probe := test.next_request()) is not None:
        count += 1
        longest = max(longest, probe.gap_ns)
        size = pdu.response_length(probe.pdu) or 0
        registers = b"".join((2300 + 7 * i).to_bytes(2, "big") for i in range((size - 2) // 2))
        whole = answer(bytes((3, len(registers))) + registers)
        beside = bytes(noise.choices((0xF7, 0x7F, 0xBF, 0x3E, 0x5D), k=9)) if count % 2 else b""
        test.take(exchange(probe.pdu, (20.0, whole + beside)), BABBLE if speaks else ())
    return test.verdict.verdict, longest


def test_bytes_beside_answers_are_a_second_device_only_where_silence_is_silent() -> None:
    # Nor is it known there that nobody else is about.
    assert _asked(speaks=True)[0] == "undecided"
    verdict, longest = _asked(speaks=False)
    assert verdict == "duplicate"
    assert longest >= 500 * MS


def test_noise_alone_is_no_device_let_alone_two() -> None:
    noise = random.Random(3)
    test = DuplicateTest(1, None)
    while (probe := test.next_request()) is not None:
        size = pdu.response_length(probe.pdu) or 0
        test.take(exchange(probe.pdu, (20.0, noise.randbytes(size + 12))), PULSES)
    assert test.verdict.verdict in ("silent", "undecided")
