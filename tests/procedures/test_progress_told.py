"""Long work says how much of it is done, and how long it still takes."""

from __future__ import annotations

from busprobe.procedures.check_line import _progress
from busprobe.procedures.progress import Progress, Several


def test_works_of_a_kind_are_counted_and_the_rest_is_estimated() -> None:
    told: list[Progress] = []
    clock = [0]
    tests = Several(told.append, 3, lambda: clock[0])
    tests.next()(Progress(7, 0, None, "address 1: asking"))
    assert told[-1] == Progress(0, 3, None, "address 1: asking")
    clock[0] = 4_000_000_000
    second = tests.next()
    second(Progress(0, 0, None, "address 2: asking"))
    # Two are left, 4 s each like the first.
    assert told[-1] == Progress(1, 3, 8.0, "address 2: asking")
    clock[0] += 1_000_000_000
    second(Progress(1, 0, None, "address 2: asking again"))
    assert told[-1].remaining_s == 7.0
    clock[0] += 9_000_000_000
    second(Progress(2, 0, None, "address 2: still asking"))
    assert told[-1].remaining_s == 0.0
    tests.next()(Progress(0, 0, None, "address 3: asking"))
    # 14 s for two of them.
    assert told[-1] == Progress(2, 3, 7.0, "address 3: asking")


def test_a_line_check_is_never_said_to_be_done_while_it_goes_on() -> None:
    assert _progress(0, 0.0, "listening") == Progress(0, 16, None, "listening")
    assert _progress(4, 20.0, "asking") == Progress(4, 16, 60.0, "asking")
    late = _progress(16, 80.0, "asking")
    # 44 of at most 60 rounds of 5 s.
    assert late.total == 0
    assert late.remaining_s == 220.0
    assert late.text.startswith("at most, not sure yet")
