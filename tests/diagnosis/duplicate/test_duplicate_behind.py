"""Bytes directly behind answers: chance, a driver, or another answer."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest

from busprobe.diagnosis.duplicate.behind import Behind
from busprobe.diagnosis.duplicate.observe import observe
from busprobe.model.exchange import Unframed
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

READ = pdu.read_registers(3, 40000, 2)
GOOD = answer(bytes((3, 4)) + b"SunS")
MS = 1_000_000


def taken(tails: list[bytes], strays: list[bytes] | None = None, gap_ms: int = 100) -> Behind:
    """Answers with these bytes behind them, and what came in the silence after each."""
    behind = Behind(1)
    for number, tail in enumerate(tails):
        heard = replace(exchange(READ, (20.0, GOOD + tail)), listened_ns=60 * MS)
        stray = strays[number] if strays else b""
        pieces = (Unframed(stray, heard.chunks[-1].t_ns + 40 * MS),) if stray else ()
        behind.take(heard, observe(heard), pieces, gap_ms * MS)
    return behind


VARIED = [b"\xff", b"", b"\xf8", b"\x95", b"", b"\xfc", b"", b"\xfe", b"\xff", b""]


def test_bytes_that_come_behind_answers_alone_speak_for_a_second_one() -> None:
    behind = taken(VARIED)
    # Drivers that do so are one in a hundred by the judgement stated there: log 100 at most.
    assert 3.5 < behind.log_evidence < 4.61
    assert behind.told.startswith("6 of 10 times bytes directly behind the answer")


def test_a_driver_that_lets_go_the_same_way_is_none() -> None:
    assert taken([b"\xf8"] * 8 + [b"\xfc", b""]).log_evidence == 0.0
    # Now and then only, it is no habit.
    assert taken([b"\xf8", b"", b"", b"\xf8", b"", b"\xf8", b""]).log_evidence > 1.0


def test_a_pair_that_is_let_go_low_is_none() -> None:
    assert (
        taken([b"\x00\xff", b"\x00", b"\x00\xf8\x41", b"\x00\x00", b"\x00\xfe"]).log_evidence == 0
    )


def test_a_line_that_gives_bytes_at_any_time_explains_them() -> None:
    # A stray in every silence of 20 ms: about as many behind 3.5 characters (3.6 ms) by chance.
    behind = taken([b"\x95", b"", b"\x31", *[b""] * 17, b"\x57"], [b"\x5d"] * 21, gap_ms=20)
    assert behind.log_evidence < 0.5


def test_less_speaks_less() -> None:
    one = taken([b"\x95", *[b""] * 20])
    two = taken([b"\x95", *[b""] * 20, b"\x31"])
    assert 0.0 < one.log_evidence < two.log_evidence < taken(VARIED).log_evidence
    assert taken([b""] * 20).log_evidence == 0.0
    assert Behind(1).log_evidence == 0.0


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 20.0])
def test_noise_at_random_seldom_is_evidence(rate_hz: float) -> None:
    # 20 answers on a line that noise hits at random: behind an answer as often as elsewhere.
    # Odds of 20 come by chance in less than one of 20 cases (Markov's inequality).
    window_s, silence_s = 3.5 * 10 / 9600, 0.120
    misled = 0
    for seed in range(100):
        chance = random.Random(seed)
        tails = [
            chance.choice((b"\x95", b"\x31", b"\x57"))
            if chance.random() < rate_hz * window_s
            else b""
            for _ in range(20)
        ]
        strays = [b"\x5d" if chance.random() < rate_hz * silence_s else b"" for _ in range(20)]
        misled += taken(tails, strays).log_evidence > math.log(20)
    assert misled < 5
