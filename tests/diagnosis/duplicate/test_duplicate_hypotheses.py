"""The weighing: what must never be called a second device, and what must."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.duplicate import Background, DuplicateTest
from busprobe.diagnosis.duplicate.hypotheses import Who, log_more, log_one, tells
from busprobe.diagnosis.duplicate.identity import jumps_together
from busprobe.diagnosis.duplicate.observe import Kind
from busprobe.diagnosis.duplicate.patterns import COLUMNS, MORE, ONE, ROWS
from busprobe.diagnosis.duplicate.questions import SERIAL_REGISTERS, Sort
from busprobe.diagnosis.duplicate.sequential import MOST
from busprobe.wire import pdu
from diagnosis.duplicate.handmade import answer, exchange

BASE = 40000
MEMORY = bytearray(2 * 300)
MEMORY[:4] = b"SunS"
MEMORY[4:8] = bytes((0, 1, 0, 66))
MEMORY[8:16] = b"Trollfen"
SERIAL = slice(2 * 52, 2 * 52 + 2 * SERIAL_REGISTERS)
MEMORY[SERIAL] = b"TF30-118204".ljust(32, b"\x00")
OTHER = bytearray(MEMORY)
OTHER[SERIAL] = b"TF30-120977".ljust(32, b"\x00")


def reply(request: bytes, memory: bytes | bytearray = MEMORY) -> bytes:
    """What a device with these registers answers."""
    start, count = int.from_bytes(request[1:3], "big") - BASE, request[4]
    return answer(bytes((3, 2 * count)) + bytes(memory[2 * start : 2 * (start + count)]))


def test_every_pattern_has_a_share_of_every_kind_for_every_sort() -> None:
    its_own = {kind for kind in Kind if tells(kind) in (kind, Kind.CLEAN)}
    assert set(COLUMNS) == its_own | {Kind.SILENT}
    assert set(ROWS) == set(Sort)
    for patterns in (ONE, MORE):
        assert sum(weight for weight, _ in patterns) == pytest.approx(1.0, abs=0.02)
        for _, rows in patterns:
            assert len(rows) == len(ROWS)
            for row in rows:
                assert len(row) == len(COLUMNS)
                assert min(row) > 0
                assert sum(row) == pytest.approx(1e4, rel=0.01)


def garbled(frame: bytes, number: int) -> bytes:
    """A frame with every byte but some changed, another way each time."""
    chance = random.Random(number)
    return bytes(byte ^ chance.choice((0, 1, 4, 32, 80)) for byte in frame)


def run(behaviour: list[str], background: Background | None = None) -> DuplicateTest:
    """Give the test exchanges of these looks, over and over, until it ends."""
    test = DuplicateTest(1, BASE, background=background or Background())
    number = 0
    while (probe := test.next_request()) is not None:
        assert number < 100
        look = behaviour[number % len(behaviour)]
        number += 1
        one, other = reply(probe.pdu), reply(probe.pdu, OTHER)
        heard: list[tuple[float, bytes]] = {
            "clean": [(20.0, one)],
            "other": [(20.0, other)],
            "00 before": [(20.0, b"\x00" + one)],
            "00 behind": [(20.0, one + b"\x00\x00")],
            "ff before": [(20.0, b"\xff" + one)],
            "silent": [],
            "noise later": [(20.0, one), (60.0 + 1.1 * len(one), b"\x31\x9c")],
            "two": [(20.0, one), (60.0 + 1.1 * len(one), other)],
            "tail": [(20.0, one + other[-3:])],
            "head": [(20.0, other[:4] + one)],
            "babble": [(0.2, b"\x00\x31\x9c\x77" * 100)],
            "garbled": [(20.0, garbled(one, number))],
            "long": [(20.0, one[:4] + b"\x11\x22" + other[6:] + b"\x77\x18\x29")],
        }[look]
        test.take(exchange(probe.pdu, *heard))
    return test


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.sampled_from(["clean", "00 before", "00 behind", "ff before", "silent", "noise later"]),
        min_size=1,
        max_size=30,
    )
)
def test_no_mix_of_sound_flanked_and_silent_exchanges_is_a_duplicate(looks: list[str]) -> None:
    test = run(looks)
    assert test.verdict.verdict in ("single", "silent", "undecided")
    assert test.probability_two < 0.5


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.sampled_from(["clean", "two", "tail", "long", "other"]), min_size=4, max_size=20),
    st.sampled_from(["two", "tail", "long"]),
)
def test_often_two_answers_or_bytes_beside_one_are_never_single(
    looks: list[str], more: str
) -> None:
    assert run([*looks, more, more]).verdict.verdict != "single"


def test_two_identities_without_any_collision_are_a_duplicate() -> None:
    test = run(["clean", "clean", "other", "clean"])
    verdict = test.verdict
    assert verdict.verdict == "duplicate"
    assert set(verdict.serials) == {"TF30-118204", "TF30-120977"}
    assert "now one is heard, now the other" in verdict.manner


def test_a_line_that_speaks_all_the_time_is_given_up_soon() -> None:
    verdict = run(["babble"]).verdict
    assert verdict.verdict == "undecided"
    assert verdict.exchanges == 10
    # One answer that comes through is a reason to go on.
    assert run(["babble"] * 9 + ["clean"]).verdict.exchanges > 20


def test_garbled_answers_alone_prove_no_second_device() -> None:
    # A driver of which one leg is dead, far away, is never understood; so are two that are equal.
    verdict = run(["garbled"]).verdict
    assert verdict.verdict == "undecided"
    assert 0.3 < verdict.probability < 0.96


@pytest.mark.parametrize("beside", ["long", "two"])
def test_garbled_answers_and_more_bytes_than_one_has_do(beside: str) -> None:
    assert run(["garbled", "garbled", beside]).verdict.verdict == "duplicate"


def test_a_second_identity_raises_the_probability() -> None:
    for first in (["clean"] * 5, ["clean", "tail"], ["clean", "silent"]):
        without = DuplicateTest(1, BASE)
        with_it = DuplicateTest(1, BASE)
        told = False
        asked: set[bytes] = set()
        for number in range(16):
            for test in (without, with_it):
                probe = test.next_request()
                assert probe is not None
                look = first[number % len(first)]
                # The mark is the same in all devices, and a first answer differs from nothing.
                again = look == "clean" and number > 2 and probe.pdu[4] > 2 and probe.pdu in asked
                other = test is with_it and again
                told = told or other
                if test is with_it and look == "clean":
                    asked.add(probe.pdu)
                frame = reply(probe.pdu, OTHER if other else MEMORY)
                heard = [] if look == "silent" else [(20.0, frame)]
                test.take(exchange(probe.pdu, *heard))
            if told:
                break
        assert told
        assert with_it.probability_two > without.probability_two


def test_sick_neighbours_do_not_make_a_sound_device_a_duplicate() -> None:
    test = run(["clean"], Background(answers=14, damaged=13))
    assert test.verdict.verdict == "single"


@given(st.sampled_from(list(Sort)), st.integers(1, 40), st.integers(0, 30))
def test_neighbours_alone_move_little(sort: Sort, answers: int, damaged: int) -> None:
    """The same course must not change its mind by more than a factor for ill neighbours."""
    counts = Counter({(sort, Kind.CLEAN): 8})
    nothing: Counter[tuple[Sort, Kind]] = Counter()
    background = Background(answers + damaged, damaged)
    odds = [
        log_more(counts, nothing, b, Who(), Counter())[0] - log_one(counts, b)
        for b in (Background(), background)
    ]
    assert odds[1] - odds[0] < 1.5


def test_the_shares_of_capture_published_for_a_line_model_say_duplicate() -> None:
    """Two equal devices at 5 m and 50 m (computed with an independent line and UART model).

    Of 100 exchanges 19 clean, 36 with a tail, 3 with a head, 42 without a valid frame.
    """
    counts = Counter(
        {
            (Sort.UNLIKE, Kind.CLEAN): 4,
            (Sort.UNLIKE, Kind.TAIL): 7,
            (Sort.UNLIKE, Kind.HEAD): 1,
            (Sort.UNLIKE, Kind.LONG): 4,
            (Sort.UNLIKE, Kind.GARBLED): 4,
        }
    )
    odds = log_more(counts, Counter(), Background(), Who(), Counter())[0] - log_one(
        counts, Background()
    )
    assert odds > 10.0


def test_noise_that_spares_short_answers_is_no_duplicate() -> None:
    """q of 2 % a character leaves 83 % of 9 and 47 % of 37 characters whole."""
    counts = Counter(
        {
            (Sort.SHORT, Kind.CLEAN): 8,
            (Sort.SHORT, Kind.BROKEN): 1,
            (Sort.SHORT, Kind.NICKED): 1,
            (Sort.UNLIKE, Kind.CLEAN): 5,
            (Sort.UNLIKE, Kind.NICKED): 4,
            (Sort.UNLIKE, Kind.BROKEN): 1,
            (Sort.ALIKE, Kind.CLEAN): 2,
            (Sort.ALIKE, Kind.BROKEN): 2,
        }
    )
    odds = log_more(counts, Counter(), Background(), Who(3), Counter())[0] - log_one(
        counts, Background()
    )
    assert odds < 0.0


def test_the_test_ends() -> None:
    for looks in (["silent"], ["long"], ["clean", "silent", "silent"]):
        verdict = run(looks).verdict
        assert verdict.exchanges <= MOST + 40
    assert run(["silent"]).verdict.verdict == "silent"
    assert run(["long"]).verdict.verdict == "duplicate"


def test_only_registers_are_read() -> None:
    test = DuplicateTest(1, BASE, readings=40070)
    for _ in range(6):
        probe = test.next_request()
        assert probe is not None
        assert probe.pdu[0] == 3
        assert pdu.response_length(probe.pdu) is not None
        test.take(exchange(probe.pdu, (20.0, reply(probe.pdu))))


def test_readings_that_jump_together_to_and_fro_are_two_devices() -> None:
    one = bytes((10,)) + bytes.fromhex("08FC 01A9 0010 0300 0003")
    two = bytes((10,)) + bytes.fromhex("0962 0004 FF10 0900 0003")
    assert jumps_together([one, two, one, two])
    assert not jumps_together([one, one, two, two])
    assert not jumps_together([one, one, one])
    # One register that toggles is a state, not a device.
    other = bytes((10,)) + bytes.fromhex("08FC 01A9 0010 0300 0064")
    assert not jumps_together([one, other, one, other])
    assert not jumps_together([])


@pytest.mark.parametrize(("code", "two"), [(2, True), (6, False)])
def test_a_device_that_is_busy_now_and_then_is_no_second_one(code: int, two: bool) -> None:
    test = DuplicateTest(1, BASE)
    asked: Counter[bytes] = Counter()
    while (probe := test.next_request()) is not None:
        asked[probe.pdu] += 1
        refuse = asked[probe.pdu] % 2 == 0
        frame = answer(bytes((0x83, code))) if refuse else reply(probe.pdu)
        test.take(exchange(probe.pdu, (20.0, frame)))
    assert (test.verdict.verdict == "duplicate") == two


@pytest.mark.parametrize("spoiled", [False, True])
def test_readings_of_another_device_at_the_limits_end_the_test(spoiled: bool) -> None:
    """Without any map; at the rate of the line one device is heard alone, or none whole."""
    test = DuplicateTest(1, None, margins=True)
    count = 0
    while (probe := test.next_request()) is not None:
        count += 1
        assert count < 100
        other = abs(probe.offset) > 0.045
        registers = [(9000 if other else 2300) + 7 * i for i in range(probe.pdu[4])]
        data = b"".join(v.to_bytes(2, "big") for v in registers)
        frame = answer(bytes((3, len(data))) + data)
        if spoiled and not other and count % 2:
            frame = bytes((0x5A,)) + frame[1:]
        test.take(exchange(probe.pdu, *([] if abs(probe.offset) > 0.05 else [(20.0, frame)])))
    assert test.verdict.verdict != "single"
