"""What a busy computer hands over late is neither noise nor damage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.bus.assemble import ByteTimes, classify, pieces_of
from busprobe.diagnosis.line_health import (
    Condition,
    LineTest,
    Sample,
    Sign,
    Target,
    line_findings,
    sample,
    tallies,
)
from busprobe.diagnosis.line_health.causes import weigh
from busprobe.diagnosis.line_health.disturbance import Exposure
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.exchange import Exchange, Frame, Outcome, Unframed
from busprobe.model.line import LineSettings
from busprobe.wire import pdu, rtu

LINE = LineSettings()
MS = 1_000_000
SYSTEM_NS = 4 * MS
ASKED = Condition(4, 0, False)
REQUEST = pdu.read_registers(3, 0, 4)
ANSWER = rtu.encode(10, bytes((3, 8)) + b"\x41\x5a\x13\x37\x01\x42\x77\x99")


def exchange(parts: Sequence[tuple[int, bytes]], number: int = 1, begin_ns: int = 0) -> Exchange:
    """Parts heard so many milliseconds after the request had left."""
    adu = rtu.encode(10, REQUEST)
    end = begin_ns + LINE.duration_ns(len(adu))
    received = [Chunk(Direction.RECEIVED, end + t * MS, data, SYSTEM_NS) for t, data in parts]
    times = ByteTimes.of(received, LINE)
    pieces = pieces_of(times, (10, REQUEST)) if received else ()
    request = Frame(10, REQUEST, begin_ns, end, adu)
    outcome, answer = classify(request, pieces, ())
    first = times.start_ns(0) - end if received else None
    sent = Chunk(Direction.SENT, begin_ns, adu)
    return Exchange(
        number, request, outcome, answer, pieces, False, first, SYSTEM_NS, 200 * MS,
        (sent, *received),
    )  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(cuts=st.sets(st.integers(1, len(ANSWER) - 1), max_size=4), pause=st.integers(5, 120))
def test_parts_of_one_answer_are_no_strays(cuts: set[int], pause: int) -> None:
    edges = [0, *sorted(cuts), len(ANSWER)]
    t, parts = 60, []
    for start, end in pairwise(edges):
        t += pause + 2 * (end - start)
        parts.append((t, ANSWER[start:end]))

    found, missing = sample(exchange(parts), ASKED)

    assert found.sign is Sign.CLEAN
    assert (found.before, found.after, found.idle, missing) == (b"", b"", (), None)
    if cuts and pause > 12:
        assert found.pause_ns > 0
    if not cuts:
        assert found.pause_ns == 0


def test_a_true_stray_stays_one_beside_an_answer_in_pieces() -> None:
    found, _ = sample(exchange([(20, b"\x41\x07"), (100, ANSWER[:1]), (160, ANSWER[1:])]), ASKED)
    assert (found.sign, found.idle, found.before, found.after) == (
        Sign.CLEAN, (b"\x41\x07",), b"", b"",
    )  # fmt: skip
    found, _ = sample(exchange([(100, b"\x00" + ANSWER[:1]), (160, ANSWER[1:] + b"\xff")]), ASKED)
    assert (found.before, found.after) == (b"\x00", b"\xff")


@pytest.mark.parametrize("between", [b"\x00", b"\x80\x00"])
@pytest.mark.parametrize("adjacent", [b"", b"\xf0"])
def test_a_stray_inside_the_pause_of_an_answer_does_not_damage_it(
    between: bytes, adjacent: bytes
) -> None:
    parts = [(60, ANSWER[:6]), *((80 + 20 * i, bytes((b,))) for i, b in enumerate(between))]
    found, missing = sample(exchange([*parts, (160, adjacent + ANSWER[6:]), (300, b"\xfe")]), ASKED)
    assert (found.sign, found.heard, missing) == (Sign.CLEAN, ANSWER, None)
    strays = [*(bytes((b,)) for b in between), b"\xfe", *([adjacent] if adjacent else [])]
    assert sorted(found.idle) == sorted(strays)
    assert found.pause_at == 6
    assert 80 * MS < found.pause_ns < 100 * MS
    # The driver of such a device switches twice, with an edge each time.
    twice = [(59, b"\xff" + ANSWER[:6]), (160, b"\xff" + ANSWER[6:])]
    edged, _ = sample(exchange(twice), ASKED)
    assert (edged.sign, edged.before, edged.idle) == (Sign.CLEAN, b"\xff", (b"\xff",))
    # With anything else in it, it is damaged, but its start is there.
    wrong = bytes((ANSWER[6] ^ 1,)) + ANSWER[7:]
    found, _ = sample(exchange([*parts, (160, wrong)]), ASKED)
    assert (found.sign, found.heard[:6]) == (Sign.DAMAGED, ANSWER[:6])


def taken(*steps: tuple[Exchange, Sequence[Frame | Unframed]]) -> LineTest:
    """An experiment that heard this."""
    test = LineTest([Target(10, 3, 0, 4)], LINE.character_ns / 1e9)
    for heard, stray in steps:
        assert test.next_question() is not None
        test.take(heard, stray)
    return test


@pytest.mark.parametrize("begun", [1, 2, 5, len(ANSWER) - 1])
def test_the_rest_heard_after_the_exchange_makes_its_answer_whole(begun: int) -> None:
    rest = Unframed(ANSWER[begun:], 700 * MS)
    test = taken(
        (exchange([(100, ANSWER[:begun])]), ()),
        (exchange([(80, ANSWER)], 2, 800 * MS), (rest,)),
    )

    assert [s.sign for s in test.samples] == [Sign.CLEAN, Sign.CLEAN]
    assert [s.idle for s in test.samples] == [(), ()]
    assert test.samples[0].pause_ns > 500 * MS
    assert test.weighed.bad == 0
    codes = {f.code for f in line_findings(test.weighed)}
    assert codes == {"answers-in-pieces"}
    # Whole, but a plain master would not have waited for it; the one after is not to blame.
    assert test.rightly[1] is Outcome.LATE
    assert test.rightly.get(2, Outcome.ANSWERED) is Outcome.ANSWERED


def test_other_bytes_do_not_make_it_whole() -> None:
    wrong = Unframed(ANSWER[5:-1] + bytes((ANSWER[-1] ^ 4,)), 700 * MS)
    test = taken(
        (exchange([(100, ANSWER[:5])]), ()),
        (exchange([(80, ANSWER)], 2, 800 * MS), (wrong,)),
    )
    assert test.samples[0].sign is Sign.DAMAGED
    assert test.samples[1].idle == (wrong.data,)


def test_a_byte_held_back_until_the_next_answer_is_still_the_devices_habit() -> None:
    test = taken(
        (exchange([(100, ANSWER[:-1])]), ()),
        (exchange([(80, ANSWER[-1:] + ANSWER)], 2, 800 * MS), ()),
    )
    assert [s.sign for s in test.samples] == [Sign.LAST_LOST, Sign.ROLLED]


def test_strays_beside_undamaged_answers_never_prove_damaged_frames() -> None:
    clean, _ = sample(exchange([(80, ANSWER)]), ASKED)
    for strays in range(1, 60):
        weighed = weigh(
            [clean] * 132, LINE.character_ns / 1e9, None, Exposure(0, 0.0, strays, 10.9, 0)
        )
        assert weighed.probability("noisy-line") <= 0.5
        assert "noisy-line" not in {f.code for f in line_findings(weighed)}


def test_a_slow_answer_that_the_delay_explains_is_not_called_slow() -> None:
    slow, _ = sample(exchange([(330, ANSWER)]), ASKED)
    quick, _ = sample(exchange([(80, ANSWER)]), ASKED)
    paused, _ = sample(exchange([(60, ANSWER[:1]), (260, ANSWER[1:])]), ASKED)

    alone = weigh([quick] * 20 + [slow], LINE.character_ns / 1e9)
    beside = weigh([quick] * 20 + [slow, paused], LINE.character_ns / 1e9)

    assert alone.probability("slow-device") > 0.9
    assert beside.probability("slow-device") <= 0.5


def test_an_answer_completed_late_is_counted_as_late_and_its_follower_as_answered() -> None:
    begun = exchange([(100, ANSWER[:5])])
    follower = exchange([(20, ANSWER[5:]), (80, ANSWER)], 2, 800 * MS)
    test = taken((begun, ()), (follower, ()))
    assert (begun.outcome, follower.outcome) == (Outcome.DAMAGED, Outcome.CROWDED)

    assert test.rightly == {1: Outcome.LATE, 2: Outcome.ANSWERED}
    (tally,) = tallies([begun, follower], test.rightly).values()
    assert (tally.exchanges, tally.answered, tally.late) == (2, 1, 1)
    assert (tally.damaged, tally.crowded) == (0, 0)
    (as_heard,) = tallies([begun, follower]).values()
    assert (as_heard.damaged, as_heard.crowded) == (1, 1)


def answered(address: int, number: int, pause_ms: int) -> Sample:
    """A whole answer of 20 bytes, with a pause after 12 of them."""
    found = Sample(number, address, ASKED, Sign.CLEAN, 20)
    return replace(found, pause_ns=pause_ms * MS, pause_at=12 if pause_ms else 0)


@pytest.mark.parametrize(
    ("paused", "told"),
    [
        # Address 1 alone, everybody, and one answer of many: that may be the computer's.
        ({1: 12, 2: 0, 3: 0}, {("device-pauses", 1)}),
        ({1: 12, 2: 12, 3: 12}, {("answers-in-pieces", None)}),
        ({1: 12, 2: 12, 3: 0}, {("device-pauses", 1), ("device-pauses", 2)}),
        ({1: 1, 2: 0, 3: 0}, {("answers-in-pieces", None)}),
    ],
)
def test_who_pauses_is_told_by_comparing_devices(
    paused: dict[int, int], told: set[tuple[str, int | None]]
) -> None:
    samples = [
        answered(a, 100 * a + n, 50 if n < count else 0)
        for a, count in paused.items()
        for n in range(12)
    ]
    weighed = weigh(samples, LINE.character_ns / 1e9)
    likely = {(c.code, c.address) for c in weighed.causes if c.probability > 0.5}
    assert likely == told


def test_a_device_alone_on_the_line_cannot_be_told_from_a_busy_computer() -> None:
    weighed = weigh([answered(1, n, 50) for n in range(20)], LINE.character_ns / 1e9)
    assert weighed.probability("answers-in-pieces") > 0.99
    assert weighed.probability("device-pauses") == 0.0
