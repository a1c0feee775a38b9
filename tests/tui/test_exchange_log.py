"""A list of exchanges that may grow to millions."""

from __future__ import annotations

import pytest
from fake_session import FakeSession
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.exchange import Exchange, Outcome
from busprobe.tui.exchange_log import BLOCK, ExchangeLog

PDU = b"\x03\0\0\0\x01"
ANSWER = (b"\x03\x02\0\x07",)
SESSION = FakeSession()
# Three addresses; every seventh exchange is crowded, every fifth silent.
MADE = [
    SESSION.exchange(1 + n % 3, PDU, () if n % 5 == 0 else ANSWER, b"\0" if n % 7 == 0 else b"")
    for n in range(5 * BLOCK + 17)
]


def log_of(made: list[Exchange], longest: int = 10**6) -> ExchangeLog:
    log = ExchangeLog(longest)
    for exchange in made:
        log.append(exchange)
    return log


LOG = log_of(MADE)


def test_nothing_is_changed_by_packing() -> None:
    assert list(LOG) == MADE
    assert len(LOG) == len(MADE)


@given(st.integers(-len(MADE), len(MADE) - 1))
def test_every_place_is_at_hand(index: int) -> None:
    assert LOG[index] == MADE[index]


@pytest.mark.parametrize("index", [len(MADE), -len(MADE) - 1])
def test_there_is_nothing_beside_the_list(index: int) -> None:
    with pytest.raises(IndexError):
        LOG[index]


@given(
    st.none() | st.integers(0, 4),
    st.none() | st.sets(st.sampled_from(Outcome)),
    st.integers(0, len(MADE) + 5),
)
def test_a_filter_finds_what_looking_at_each_finds(
    address: int | None, outcomes: set[Outcome] | None, start: int
) -> None:
    expected = [
        i
        for i, made in enumerate(MADE)
        if i >= start
        and (address is None or made.request.address == address)
        and (outcomes is None or made.outcome in outcomes)
    ]
    assert LOG.passing(address, outcomes, start) == expected


def test_the_oldest_go_first_and_numbers_stay_right() -> None:
    log = log_of(MADE, 3 * BLOCK)
    assert len(log) <= 3 * BLOCK
    assert log.dropped + len(log) == len(MADE)
    assert list(log) == MADE[log.dropped :]
    first = MADE[log.dropped].number
    assert log.numbered(first) == 0
    assert log.numbered(first - 1) is None
    assert log.numbered(MADE[-1].number) == len(log) - 1
    assert log.passing(2, None) == [i for i, m in enumerate(log) if m.request.address == 2]


def test_an_empty_log_knows_no_number() -> None:
    assert ExchangeLog().numbered(1) is None


def test_the_beginning_is_kept_when_old_exchanges_go() -> None:
    log = log_of(MADE, longest=2 * BLOCK)
    assert log.dropped
    assert log.began_ns == MADE[0].request.t_start_ns
    assert ExchangeLog().began_ns is None
