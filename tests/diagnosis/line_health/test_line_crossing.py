"""Answers that cross are told from noise, and their sender by what was heard whole."""

from __future__ import annotations

import random
from dataclasses import replace

from busprobe.diagnosis.line_health.crossing import answers_for_others, crossed_in
from busprobe.diagnosis.line_health.signs import Condition, Sample, Sign

LONG = Condition(60, 0, True)
RIGHT = bytes(random.Random(5).randbytes(125))


def clean(number: int, address: int) -> Sample:
    return Sample(number, address, LONG, Sign.CLEAN, 125, heard=RIGHT, turnaround_ns=20_000_000)


def damaged(number: int, address: int, heard: bytes, at_ms: float = 20.0) -> Sample:
    at_ns = int(at_ms * 1e6)
    return Sample(number, address, LONG, Sign.DAMAGED, 125, heard=heard, turnaround_ns=at_ns)


def test_longer_elsewhen_and_wrong_all_over_is_crossed() -> None:
    others = bytes(random.Random(6).randbytes(70))
    its = [clean(n, 1) for n in range(6)] + [
        damaged(10, 1, RIGHT + others[:10]),
        damaged(11, 1, RIGHT[:60] + others[:65], at_ms=4.0),
        damaged(12, 1, RIGHT[:55] + others),
        replace(clean(13, 1), after=others[:20]),
    ]
    assert crossed_in(its) == {10, 11, 12, 13}


def test_a_burst_of_noise_is_not_crossed() -> None:
    burst = RIGHT[:40] + b"\x7a\x11\xf0" + RIGHT[43:]
    lost = RIGHT[:40] + b"\x7a" + RIGHT[42:]
    its = [clean(n, 1) for n in range(6)] + [
        damaged(10, 1, burst),
        damaged(11, 1, lost, at_ms=22.0),
        replace(clean(12, 1), after=b"\xff"),
    ]
    assert crossed_in(its) == set()


def heard_at(crossed: int, clean_of_sender: int, whole: int = 0) -> dict[int, list[Sample]]:
    asked = [clean(n, 1) for n in range(40)]
    asked += [damaged(100 + n, 1, RIGHT + RIGHT[:20]) for n in range(crossed)]
    asked += [replace(clean(200 + n, 1), senders=(2,)) for n in range(whole)]
    return {1: asked, 2: [clean(300 + n, 2) for n in range(clean_of_sender)]}


def test_the_sender_is_the_one_that_was_heard_whole() -> None:
    (cause,) = [c for c in answers_for_others(heard_at(6, 40, 3), {}) if c.probability > 0.5]
    assert (cause.code, cause.address) == ("answers-for-others", 2)
    assert cause.probability > 0.95
    assert "3 times whole" in cause.evidence[0].text


def test_crossing_alone_fits_two_devices_as_well() -> None:
    found = answers_for_others(heard_at(6, 40), {})
    assert all(c.probability < 0.8 for c in found)
    # Once the test for two devices has spoken, only one explanation is left.
    (cause,) = [
        c
        for c in answers_for_others(heard_at(6, 40), {1: ("single", 0.999)})
        if c.probability > 0.5
    ]
    assert cause.address == 2
    assert not [
        c
        for c in answers_for_others(heard_at(6, 40), {1: ("duplicate", 0.999)})
        if c.probability > 0.2
    ]


def test_nothing_crossed_no_cause() -> None:
    assert answers_for_others(heard_at(0, 40), {}) == []
