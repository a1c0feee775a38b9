"""Damage that repeats itself, at moments that differ."""

from __future__ import annotations

from dataclasses import replace

from busprobe.diagnosis.duplicate.observe import observe
from busprobe.diagnosis.duplicate.steady import Steadiness
from busprobe.model.line import LineSettings
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

READ = pdu.read_registers(3, 40000, 2)
OTHER = pdu.read_registers(3, 40052, 16)
# 01 03 04 53 75 6E 53 96 F0, sent 5 % too slow (as the simulated line delivers it).
SPOILED = bytes.fromhex("0120d055b95319")


def taken(*heard: tuple[float, bytes], request: bytes = READ) -> Steadiness:
    """Exchanges with these answers, so many milliseconds after the request."""
    steadiness = Steadiness()
    for moment in heard:
        made = exchange(request, moment)
        steadiness.take(made, observe(made))
    return steadiness


def test_the_same_bytes_soon_and_late_are_of_one_device() -> None:
    steadiness = taken(*((at, SPOILED) for at in (44.4, 51.1, 45.2, 56.6)))
    assert steadiness.is_steady
    assert "one device sends them" in steadiness.told


def test_the_same_bytes_at_one_moment_may_be_two_in_step() -> None:
    # 0.1 ms are a bit at 9600: two of one firmware do not come apart further.
    steadiness = taken(*((20.0 + 0.1 * (n % 3), SPOILED) for n in range(8)))
    assert not steadiness.is_steady
    assert not steadiness.told


def test_bytes_that_differ_are_not_steady() -> None:
    heard = [(20.0 + 5.0 * n, bytes((n,)) + SPOILED[1:]) for n in range(8)]
    assert not taken(*heard).is_steady


def test_three_times_are_too_few() -> None:
    assert not taken(*((at, SPOILED) for at in (44.4, 51.1, 45.2))).is_steady


def test_an_answer_that_stays_whole_is_not_spoiled_by_something_constant() -> None:
    steadiness = taken(*((at, SPOILED) for at in (44.4, 51.1, 45.2, 56.6)))
    whole = exchange(READ, (20.0, answer(bytes((3, 4)) + b"SunS")))
    steadiness.take(whole, observe(whole))
    assert not steadiness.is_steady


def test_requests_at_other_rates_do_not_count() -> None:
    steadiness = Steadiness()
    for at in (44.4, 51.1, 45.2, 56.6):
        made = replace(exchange(READ, (at, SPOILED)), sent_at=LineSettings(10_080))
        steadiness.take(made, observe(made))
    assert not steadiness.is_steady


def test_whole_answers_and_scraps_do_not_count() -> None:
    assert not taken(*((20.0 + 5 * n, b"\x01\x20") for n in range(8)), request=OTHER).is_steady
