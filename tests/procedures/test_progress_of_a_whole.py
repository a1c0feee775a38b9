"""Several phases are told as one work."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from busprobe.procedures.progress import Progress, Whole


def test_a_new_phase_does_not_begin_again() -> None:
    told: list[Progress] = []
    whole = Whole(told.append, [0.0, 10.0, 20.0, 70.0])
    whole.phase(1)(Progress(0, 5, 10.0, "first"))
    assert told[-1] == Progress(0, 1000, 100.0, "first")
    whole.phase(1)(Progress(2, 4, 5.0, "first"))
    assert told[-1] == Progress(50, 1000, 95.0, "first")
    # What was done before it began counts for no phase.
    whole.phase(2)(Progress(7, 9, None, "second"))
    assert told[-1] == Progress(100, 1000, None, "second")
    whole.phase(2)(Progress(8, 9, None, "second"))
    assert told[-1] == Progress(200, 1000, None, "second")
    whole.phase(3)(Progress(0, 9, 70.0, "third"))
    assert told[-1] == Progress(300, 1000, 70.0, "third")
    # A phase that is called again has nothing to take back.
    whole.phase(1)(Progress(0, 5, 10.0, "again"))
    assert told[-1].done == 300


steps = st.tuples(st.integers(0, 3), st.integers(0, 9), st.one_of(st.none(), st.floats(0.0, 500.0)))


def test_slower_devices_do_not_hold_it_up() -> None:
    told: list[Progress] = []
    whole = Whole(told.append, [100.0, 100.0])
    whole.phase(0)(Progress(0, 247, 25.0, "asking"))
    for number in range(1, 247):
        whole.phase(0)(Progress(number, 247, (247 - number) * 0.4, "asking"))
    shares = [p.done for p in told]
    assert shares[50] > shares[20] > shares[1] >= 0


@given(st.lists(steps, max_size=30), st.lists(st.floats(0.0, 90.0), min_size=4, max_size=4))
def test_it_never_goes_back_and_never_beyond_the_end(
    calls: list[tuple[int, int, float | None]], guesses: list[float]
) -> None:
    told: list[Progress] = []
    whole = Whole(told.append, guesses)
    for number, done, left_s in calls:
        whole.phase(number)(Progress(done, 9, left_s, ""))
    shares = [p.done for p in told]
    assert shares == sorted(shares)
    assert all(0 <= s <= 1000 for s in shares)
