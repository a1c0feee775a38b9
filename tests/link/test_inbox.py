import asyncio
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.link.inbox import Inbox, link_clock_ns
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import LinkError

GONE = LinkError("It is gone.", "Look for it.")
FAR = 3_600 * 10**9


def chunk(data: bytes, t_ns: int | None = None) -> Chunk:
    return Chunk(Direction.RECEIVED, link_clock_ns() if t_ns is None else t_ns, data)


async def test_what_was_heard_before_the_loss_is_given_first() -> None:
    inbox = Inbox()
    inbox.put(chunk(b"a"))
    inbox.put(chunk(b"b"))
    inbox.lose(GONE)
    taken = [await inbox.take(link_clock_ns() + FAR) for _ in range(2)]
    assert [one.data for one in taken if one is not None] == [b"a", b"b"]
    for _ in range(2):
        with pytest.raises(LinkError, match="gone"):
            await inbox.take(link_clock_ns() + FAR)


async def test_the_first_reason_of_a_loss_counts() -> None:
    inbox = Inbox()
    assert not inbox.is_lost
    inbox.lose(GONE)
    inbox.lose(LinkError("Later.", "No matter."))
    assert inbox.is_lost
    with pytest.raises(LinkError) as loss:
        inbox.raise_if_lost()
    assert (loss.value.cause, loss.value.next_step) == ("It is gone.", "Look for it.")


async def test_a_chunk_from_after_the_instant_waits_for_its_turn() -> None:
    inbox = Inbox()
    now = link_clock_ns()
    inbox.put(chunk(b"x", now))
    assert await inbox.take(now - 1) is None
    taken = await inbox.take(now)
    assert taken is not None
    assert taken.data == b"x"


async def test_a_waiter_is_woken_from_another_thread() -> None:
    inbox = Inbox()
    waiting = asyncio.ensure_future(inbox.take(link_clock_ns() + FAR))
    await asyncio.wait([waiting], timeout=0)
    assert not waiting.done()
    thread = threading.Thread(target=lambda: inbox.put(chunk(b"hello")))
    thread.start()
    taken = await waiting
    thread.join()
    assert taken is not None
    assert taken.data == b"hello"


async def test_a_waiter_is_woken_by_the_loss() -> None:
    inbox = Inbox()
    waiting = asyncio.ensure_future(inbox.take(link_clock_ns() + FAR))
    await asyncio.wait([waiting], timeout=0)
    inbox.lose(GONE)
    with pytest.raises(LinkError):
        await waiting


async def test_silence_is_noticed_on_time_where_a_thread_feeds() -> None:
    inbox = Inbox(fed_by_thread=True)
    late = []
    for _ in range(20):
        until = link_clock_ns() + 2_300_000
        assert await inbox.take(until) is None
        late.append(link_clock_ns() - until)
    assert min(late) > 0
    # The best of twenty, since the computer may be busy; a bare timer is never below 0.3 ms here.
    assert min(late) < 300_000


async def test_two_waiters_are_a_mistake_of_the_caller() -> None:
    inbox = Inbox()
    waiting = asyncio.ensure_future(inbox.take(link_clock_ns() + FAR))
    await asyncio.wait([waiting], timeout=0)
    with pytest.raises(RuntimeError, match="two callers"):
        await inbox.take(link_clock_ns())
    inbox.put(chunk(b"x"))
    assert await waiting is not None


@given(st.lists(st.binary(min_size=1, max_size=5), max_size=30))
def test_a_thread_that_delivers_while_we_take_loses_and_turns_nothing(pieces: list[bytes]) -> None:
    async def scenario() -> list[bytes]:
        inbox = Inbox()

        def deliver() -> None:
            for piece in pieces:
                inbox.put(chunk(piece))
            inbox.lose(GONE)

        thread = threading.Thread(target=deliver)
        thread.start()
        taken: list[bytes] = []
        for _ in pieces:
            one = await inbox.take(link_clock_ns() + FAR)
            assert one is not None
            taken.append(one.data)
        with pytest.raises(LinkError):
            await inbox.take(link_clock_ns() + FAR)
        thread.join()
        return taken

    assert asyncio.run(scenario()) == pieces


def test_a_thread_that_outlives_the_event_loop_keeps_quiet() -> None:
    async def make() -> Inbox:
        return Inbox()

    inbox = asyncio.run(make())
    inbox.put(chunk(b"nobody listens"))
    inbox.lose(GONE)
    assert inbox.is_lost
