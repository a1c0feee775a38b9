"""Chunks on their way from whoever hears them to whoever asks for them.

Whoever hears bytes (a reader thread, or a callback of the event loop) stamps them and calls `put`.
The owner of the link calls `take`. Nothing is dropped; when the link is lost, what was heard before
is given out first.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque

from busprobe.model.chunk import Chunk
from busprobe.model.errors import LinkError
from busprobe.model.line import NS_PER_S


def link_clock_ns() -> int:
    """The clock of every link in real time [ns]: monotonic, the finest the system has."""
    return time.perf_counter_ns()


# The timers of an event loop go off up to 1 ms late: its selector counts whole milliseconds.
_TIMER_STEP_NS = 1_000_000


def _sleep_through(duration_ns: int) -> None:
    time.sleep(duration_ns / NS_PER_S)


class Inbox:
    """A queue with a clock, fed from any thread, emptied from the event loop it was made in.

    Args:
        fed_by_thread: Chunks come from another thread. Then the last millisecond of a wait is
            slept through, so that silence is noticed on time: a sweep waits for hundreds of
            silences. Meanwhile the event loop rests; the other thread still stamps what arrives.
    """

    def __init__(self, *, fed_by_thread: bool = False) -> None:
        self._fed_by_thread = fed_by_thread
        self._loop = asyncio.get_running_loop()
        self._chunks: deque[Chunk] = deque()
        self._lost: LinkError | None = None
        self._waiting: asyncio.Future[None] | None = None

    @property
    def is_lost(self) -> bool:
        """Whether nothing more will come."""
        return self._lost is not None

    def put(self, chunk: Chunk) -> None:
        """Hand over a chunk; called in the order of time, from any thread."""
        self._chunks.append(chunk)
        self._poke()

    def lose(self, error: LinkError) -> None:
        """Tell that nothing more will come; called from any thread, the first reason counts."""
        if self._lost is None:
            self._lost = error
        self._poke()

    def raise_if_lost(self) -> None:
        """Raise the reason why nothing more will come, if there is one."""
        lost = self._lost
        if lost is not None:
            raise LinkError(lost.cause, lost.next_step)

    async def take(self, until_ns: int) -> Chunk | None:
        """Wait for the next chunk stamped at or before `until_ns`.

        A chunk stamped in time but handed over after the clock has passed `until_ns` is given by
        the next call.

        Raises:
            LinkError: The link is lost and everything heard before has been taken.
        """
        if self._waiting is not None:
            raise RuntimeError("two callers wait for the same link")
        while True:
            # Looked at before the chunks: whatever was put before the loss is then seen below.
            lost = self._lost
            if self._chunks:
                return self._chunks.popleft() if self._chunks[0].t_ns <= until_ns else None
            if lost is not None:
                raise LinkError(lost.cause, lost.next_step)
            left_ns = until_ns - link_clock_ns()
            if left_ns < 0:
                return None
            if not self._fed_by_thread:
                await self._wait(left_ns + 1)
            elif left_ns > _TIMER_STEP_NS:
                await self._wait(left_ns - _TIMER_STEP_NS)
            else:
                _sleep_through(left_ns + 1)

    async def _wait(self, duration_ns: int) -> None:
        self._waiting = self._loop.create_future()
        timer = self._loop.call_later(duration_ns / NS_PER_S, self._wake)
        try:
            await self._waiting
        finally:
            timer.cancel()
            self._waiting = None

    def _wake(self) -> None:
        if self._waiting is not None and not self._waiting.done():
            self._waiting.set_result(None)

    def _poke(self) -> None:
        # The loop may have been closed under a reader thread that still delivers: nobody is
        # waiting then, and what is in the queue stays there.
        if not self._loop.is_closed():
            try:
                self._loop.call_soon_threadsafe(self._wake)
            except RuntimeError:
                if not self._loop.is_closed():
                    raise
