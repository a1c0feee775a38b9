"""The receiver against a plain state machine that walks through time nanosecond by nanosecond."""

from __future__ import annotations

from itertools import accumulate

from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from busprobe.model.chunk import Mark
from busprobe.model.line import LineSettings, Parity
from busprobe_sim.physics.uart import AfterFramingError, Resume, UartTiming, receive, transmit

# The highest rate that can be set: a bit is exactly 250 ns, so that no rounding blurs the steps.
BAUD = 4_000_000
BIT = 250


def walk(
    edges: list[int], until: int, parity: Parity, restart: bool
) -> list[tuple[int, Mark, int]]:
    """Receive by stepping; the line is 1 before the first edge."""
    toggles: set[int] = set()
    for edge in edges:
        toggles ^= {edge}
    out = []
    bits = 8 + (parity is not Parity.NONE)
    level, state, since, taken = 1, "hunt", 0, list[int]()
    for t in range(until + 1):
        before = level
        if t in toggles:
            level ^= 1
        if state == "hunt" and before == 1 and level == 0:
            state, since = "start", t
            continue
        passed = t - since
        if state == "start" and passed == BIT // 2:
            state, taken = ("hunt", []) if level else ("bits", [])
        elif state == "bits" and passed == BIT * (len(taken) + 1) + BIT // 2:
            if len(taken) < bits:
                taken.append(level)
                continue
            value = sum(bit << i for i, bit in enumerate(taken[:8]))
            wrong = parity is not Parity.NONE and sum(taken) % 2 != (parity is Parity.ODD)
            if level:
                mark, state = (Mark.PARITY if wrong else Mark.GOOD), "hunt"
            elif not any(taken):
                mark, state = Mark.BREAK, "hunt"
            else:
                mark, state = (Mark.FRAMING_PARITY if wrong else Mark.FRAMING), "hunt"
                if restart:
                    # The low stop bit began half a bit ago and is the next start bit.
                    state = "again"
            # Only complete characters come out, stop bit included.
            if since + BIT * (bits + 2) <= until:
                out.append((value, mark, since))
            if state == "again":
                state, since, taken = "bits", t - BIT // 2, []
    return out


gaps = st.lists(st.integers(20, 3 * BIT), min_size=1, max_size=60)


@settings(max_examples=80, deadline=None)
@given(gaps, st.integers(0, 12 * BIT), st.sampled_from(list(Parity)), st.booleans())
@example([125, 125, 125, 2250], 3000, Parity.NONE, False)
@example([BIT, 9 * BIT], 20 * BIT, Parity.NONE, False)
@example([BIT, 10 * BIT], 20 * BIT, Parity.EVEN, True)
def test_random_levels(spaces: list[int], rest: int, parity: Parity, restart: bool) -> None:
    edges = list(accumulate(spaces))
    until = edges[-1] + rest
    after = AfterFramingError.RESTART if restart else AfterFramingError.EDGE
    timing = UartTiming(LineSettings(BAUD, parity), 0.0, after)
    got, _ = receive([float(t) for t in edges], Resume(0.0), float(until), timing)
    assert [(c.value, c.mark, c.t_start_ns) for c in got] == walk(edges, until, parity, restart)


@settings(max_examples=40, deadline=None)
@given(
    st.binary(min_size=10, max_size=30),
    st.sampled_from(list(Parity)),
    st.sampled_from(list(Parity)),
    st.booleans(),
    st.lists(st.integers(0, 300 * BIT), max_size=4).filter(lambda x: len(x) % 2 == 0),
)
def test_traffic_with_spikes(
    data: bytes, sent: Parity, expected: Parity, restart: bool, spikes: list[int]
) -> None:
    # Long enough for whole runs to be taken at once, until a spike or a wrong format breaks them.
    form = LineSettings(BAUD, sent)
    clean = transmit(data, form, 1000.0, BIT)[0].tolist()
    edges = sorted([*clean, *(float(t) for t in spikes)])
    # Two edges at one instant are no spike: the level never changes.
    assume(len(set(edges)) == len(edges))
    until = int(edges[-1]) + 20 * BIT
    after = AfterFramingError.RESTART if restart else AfterFramingError.EDGE
    timing = UartTiming(LineSettings(BAUD, expected), 0.0, after)
    got, _ = receive(edges, Resume(0.0), float(until), timing)
    walked = walk([int(t) for t in edges], until, expected, restart)
    assert [(c.value, c.mark, c.t_start_ns) for c in got] == walked
