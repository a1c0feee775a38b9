"""A job on a thread of its own: commands come in from any thread, events go out.

The terminal interface must never wait for a bus, nor a bus for the screen. Commands return at
once; one step runs at a time; a new step waits until the running one, asked to stop, has ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Awaitable, Callable
from concurrent.futures import Future

from busprobe.diagnosis.wiring import KnownLoad
from busprobe.link.base import Link
from busprobe.model.errors import BusprobeError, LinkError
from busprobe.model.line import LineSettings, parse_link
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.operator import HandRequest
from busprobe.recording.store import Recorder
from busprobe.session.events import (
    Event,
    LinkLost,
    OperatorAsked,
    Step,
    StepEnd,
    StepFinished,
)
from busprobe.session.job import Job
from busprobe.session.ports import Hands, OpenLink
from busprobe.session.search import FindPlan

WATCH_PERIOD_S = 1.0
# A simulated colleague needs a moment to plug in the heater.
_HANDS_DELAY_NS = 1_000_000_000


class _ScreenOperator:
    """Asks the technician through events, and takes the answer from the face."""

    def __init__(self, emit: Callable[[Event], None], hands: Hands | None) -> None:
        self._emit = emit
        self._hands = hands
        self._request: HandRequest | None = None
        self._now_ns = 0
        self._answer: bool | None = None
        self.always_hands = False

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self._request, self._now_ns, self._answer = request, now_ns, None
        self._emit(OperatorAsked(request.words, request.phase, request.on, self._hands is not None))
        if self.always_hands:
            self.let_hands()

    def answer(self) -> bool | None:
        return self._answer

    def give(self, done: bool) -> None:
        self._answer = done

    def let_hands(self) -> None:
        """The simulated hands do this request and all that follow."""
        self.always_hands = True
        request = self._request
        if self._hands is None or request is None or self._answer is not None:
            return
        at_ns = self._now_ns + _HANDS_DELAY_NS
        if request.source is not None:
            self._answer = self._hands.curtail(request.source, request.share, at_ns)
            return
        self._hands.plug(request.phase, request.power_w, request.on, at_ns)
        self._answer = True


class Session:
    """What the terminal interface commands.

    Args:
        open_link: Opens any link.
        record: Begins the recording of a link that was opened; None keeps nothing.
    """

    def __init__(
        self, open_link: OpenLink, record: Callable[[Link], Recorder | None] | None = None
    ) -> None:
        self._open_link = open_link
        self._record = record
        self._listeners: list[Callable[[Event], None]] = []
        self._stop = threading.Event()
        self._job: Job | None = None
        self._operator: _ScreenOperator | None = None
        self._settings: LineSettings | None = None
        self._loop = asyncio.new_event_loop()
        self._turn: asyncio.Lock | None = None
        self._thread = threading.Thread(target=self._run, name="busprobe-session", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        try:
            self._loop.run_forever()
        finally:
            self._loop.close()

    def subscribe(self, listener: Callable[[Event], None]) -> None:
        """Call `listener` with every event, on the session's thread."""
        self._listeners.append(listener)

    def _emit(self, event: Event) -> None:
        for listener in tuple(self._listeners):
            listener(event)

    # Commands --------------------------------------------------------------------------------

    def open(self, argument: str, settings: LineSettings | None = None) -> None:
        """Open a link; a link that was open is closed first."""
        self._submit(lambda: self._do_open(argument, settings), None)

    def find(self) -> None:
        """Search, identify, and look for duplicates; goes on where it was stopped."""

        async def run(job: Job) -> None:
            await job.find(FindPlan(settings=self._settings))

        self._step(Step.FIND, run)

    def check_addresses(self, addresses: tuple[int, ...] = ()) -> None:
        """Look for a second device at these addresses, or at all that answer."""

        async def run(job: Job) -> None:
            await job.check_addresses(addresses or tuple(sorted(job.devices)))

        self._step(Step.ADDRESSES, run)

    def check_wiring(self, address: int, load: KnownLoad) -> None:
        """Prove the wiring of a meter with a known load."""

        async def run(job: Job) -> None:
            operator = _ScreenOperator(self._emit, job.hands)
            self._operator = operator
            try:
                await job.check_wiring(address, load, operator, WiringPlan(load))
            finally:
                self._operator = None

        self._step(Step.WIRING, run)

    def watch(self, addresses: tuple[int, ...]) -> None:
        """Read meters once a second until another step begins or `stop` is called."""

        async def run(job: Job) -> None:
            await job.watch(addresses, WATCH_PERIOD_S)

        self._step(None, run)

    def answer(self, done: bool) -> None:
        """The technician did, or refuses, what was asked."""
        operator = self._operator
        if operator is not None:
            operator.give(done)

    def let_hands(self) -> None:
        """The simulated hands do what was asked, now and from now on."""
        operator = self._operator
        if operator is not None:
            operator.let_hands()

    def stop(self) -> None:
        """Stop the running step before its next request."""
        self._stop.set()

    def close(self) -> None:
        """Stop, release the link, end the thread."""
        if not self._thread.is_alive():
            return
        self.stop()
        done = self._submit(self._do_close, None)
        with contextlib.suppress(TimeoutError):
            done.result(timeout=5.0)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(timeout=5.0)

    # On the session's thread -------------------------------------------------------------------

    def _submit(self, work: Callable[[], Awaitable[None]], step: Step | None) -> Future[None]:
        self._stop.set()

        async def guarded() -> None:
            if self._turn is None:
                self._turn = asyncio.Lock()
            async with self._turn:
                self._stop.clear()
                try:
                    await work()
                except LinkError as error:
                    await self._drop()
                    self._emit(LinkLost(error))
                    self._end(step, str(error))
                except BusprobeError as error:
                    self._end(step, str(error))
                except Exception as error:
                    # Our own mistake: the screen must not wait for a step that is gone.
                    self._end(step, f"busprobe itself failed here ({error!r}). Please report it.")
                    raise

        return asyncio.run_coroutine_threadsafe(guarded(), self._loop)

    def _end(self, step: Step | None, text: str) -> None:
        if step is not None:
            self._emit(StepFinished(step, StepEnd.FAILED, text))

    def _step(self, step: Step | None, run: Callable[[Job], Awaitable[None]]) -> None:
        async def work() -> None:
            if self._job is None:
                raise LinkError("No link is open.", "Choose a link first.")
            await run(self._job)

        self._submit(work, step)

    async def _do_open(self, argument: str, settings: LineSettings | None) -> None:
        await self._drop()
        endpoint = parse_link(argument)
        self._settings = settings
        opened = await self._open_link(endpoint, settings)
        recorder = None if self._record is None else self._record(opened.link)
        self._job = Job(opened, endpoint, self._emit, self._stop.is_set, recorder)

    async def _drop(self) -> None:
        job, self._job = self._job, None
        if job is not None:
            await job.close()

    async def _do_close(self) -> None:
        await self._drop()
