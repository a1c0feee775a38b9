"""The thread of a session: one link, one step at a time, commands in and events out.

The terminal interface must never wait for a bus, nor a bus for the screen. Commands return at
once; one step runs at a time; a new step waits until the running one, asked to stop, has ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.errors import BusprobeError, LinkError, Stopped
from busprobe.model.line import Endpoint, LineSettings, parse_link
from busprobe.session.events import (
    CheckMade,
    Event,
    LinkLost,
    OperatorAsked,
    RecordingBegun,
    Step,
    StepEnd,
    StepFinished,
    StepProgress,
    StepStarted,
)
from busprobe.session.screen_operator import ScreenOperator
from busprobe.session.stint import Stint

# The job and all it stands on take a second to load: the screen is painted before that.
if TYPE_CHECKING:
    from busprobe.link.base import Link
    from busprobe.recording.store import Recorder
    from busprobe.session.ports import Hands, OpenLink
    from busprobe.session.screen_job import ScreenJob

# Long enough for the first picture, short enough to be over before a link is chosen.
_LOAD_AFTER_S = 0.6
# How long a step may take to stop; a change may have to wait for a device that stays away.
_STEP_S = 5.0
_CHANGE_S = 180.0
# The screen shows the open line; of the others it is told so much.
_TOLD_OF_OTHER_LINES = (CheckMade, OperatorAsked, StepStarted, StepProgress, StepFinished)


def _load_job() -> None:
    import busprobe.session.screen_job  # noqa: F401 - the technician is still reading the first screen


class SessionThread:
    """What every command of a session stands on.

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
        self._overseers: list[Callable[[Stint], None]] = []
        self._working_since_ns: int | None = None
        self._changes: set[Future[None]] = set()
        self._speed = 1.0
        self._stop = threading.Event()
        self._job: ScreenJob | None = None
        self._lost: ScreenJob | None = None
        self._operator: ScreenOperator | None = None
        self._settings: LineSettings | None = None
        self._beside_files: list[Path] = []
        self._loop = asyncio.new_event_loop()
        self._turn: asyncio.Lock | None = None
        self._thread = threading.Thread(target=self._run, name="busprobe-session", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.call_later(_LOAD_AFTER_S, _load_job)
        try:
            self._loop.run_forever()
        finally:
            self._loop.close()

    def subscribe(self, listener: Callable[[Event], None]) -> None:
        """Call `listener` with every event, on the session's thread."""
        self._listeners.append(listener)

    def oversee(self, overseer: Callable[[Stint], None]) -> None:
        """Call `overseer` with every stint that is over, on the session's thread."""
        self._overseers.append(overseer)

    @property
    def working_s(self) -> float:
        """How long the running step is at work, on the link's clock [s]; 0 while none runs."""
        job, since_ns = self._job, self._working_since_ns
        return 0.0 if job is None or since_ns is None else (job.bus.now() - since_ns) / 1e9

    @property
    def changing(self) -> bool:
        """Whether something is under way that writes to a device, and must come to its end."""
        return any(not change.done() for change in tuple(self._changes))

    def _emit(self, event: Event) -> None:
        for listener in tuple(self._listeners):
            listener(event)

    # From any thread ----------------------------------------------------------------------------

    def open(
        self,
        argument: str,
        settings: LineSettings | None = None,
        record: Path | None = None,
        *,
        kept: bool = True,
    ) -> None:
        """Open a link; a link that was open is closed first.

        Args:
            argument: The link.
            settings: Line settings, None to have them found.
            record: A new file for the recording; the usual place where None.
            kept: Whether a recording is made.
        """
        self._submit(lambda: self._do_open(argument, settings, record, kept), None, opens=True)

    def set_speed(self, speed: float) -> None:
        """Let the clock of a simulated line run so many times faster, now and from now on."""
        self._speed = speed
        self._loop.call_soon_threadsafe(self._apply_speed)

    def stop(self) -> None:
        """Stop the running step before its next request."""
        self._stop.set()

    def close(self) -> None:
        """Stop, release the link, end the thread; a change that was begun comes to its end."""
        if not self._thread.is_alive():
            return
        patience_s = _CHANGE_S if self.changing else _STEP_S
        self.stop()
        done = self._submit(self._do_close, None)
        with contextlib.suppress(TimeoutError):
            done.result(timeout=patience_s)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(timeout=5.0)

    # On the session's thread -------------------------------------------------------------------

    def _by_hand(self, do: Callable[[Hands, int], None]) -> None:
        def at_once() -> None:
            job = self._job
            if job is not None and job.hands is not None:
                do(job.hands, job.bus.now())

        self._loop.call_soon_threadsafe(at_once)

    def _apply_speed(self) -> None:
        if self._job is not None and self._job.opened.set_speed is not None:
            self._job.opened.set_speed(self._speed)

    @contextlib.contextmanager
    def _hands_of(self, job: ScreenJob) -> Iterator[ScreenOperator]:
        """Somebody to ask while a step runs."""
        self._operator = operator = ScreenOperator(job.hands)
        try:
            yield operator
        finally:
            self._operator = None

    @contextlib.asynccontextmanager
    async def _beside(
        self, endpoint: Endpoint, settings: LineSettings | None
    ) -> AsyncIterator[tuple[ScreenJob, ScreenOperator]]:
        """Another line than the open one, for as long as it is verified.

        The screen shows the open line: of the other one it is told the checks and the questions.
        """
        from busprobe.session.screen_job import ScreenJob

        opened = await self._open_link(endpoint, settings)
        recorder = None if self._record is None else self._record(opened.link)

        def tell(event: Event) -> None:
            if isinstance(event, _TOLD_OF_OTHER_LINES):
                self._emit(event)

        job = ScreenJob(opened, endpoint, tell, self._stop.is_set, recorder)
        before = self._operator
        try:
            with self._hands_of(job) as operator:
                yield job, operator
        finally:
            self._operator = before
            await job.close()
            if recorder is not None:
                self._beside_files.append(recorder.path)

    def _submit(
        self, work: Callable[[], Awaitable[None]], step: Step | None, *, opens: bool = False
    ) -> Future[None]:
        self._stop.set()

        async def guarded() -> None:
            if self._turn is None:
                self._turn = asyncio.Lock()
            async with self._turn:
                self._stop.clear()
                try:
                    await work()
                except LinkError as error:
                    await self._lose(error, step)
                except Stopped as stopped:
                    self._end(step, str(stopped), StepEnd.STOPPED)
                except BusprobeError as error:
                    if opens:
                        await self._lose(error, step)
                    self._end(step, str(error))
                except Exception as error:
                    # Our own mistake: the screen must not wait for a step that is gone.
                    self._end(step, f"busprobe itself failed here ({error!r}). Please report it.")
                    raise

        return asyncio.run_coroutine_threadsafe(guarded(), self._loop)

    async def _lose(self, error: BusprobeError, step: Step | None) -> None:
        # Plugged in again, it is the same visit.
        self._lost = self._job or self._lost
        await self._drop()
        self._emit(LinkLost(error))
        self._end(step, str(error))

    def _end(self, step: Step | None, text: str, end: StepEnd = StepEnd.FAILED) -> None:
        if step is not None:
            self._emit(StepFinished(step, end, text))

    def _step(
        self,
        step: Step | None,
        run: Callable[[ScreenJob], Awaitable[None]],
        *,
        changes: bool = False,
    ) -> None:
        async def work() -> None:
            job = self._job
            if job is None:
                raise LinkError("No link is open.", "Choose a link first.")
            with self._overseen(job, "watch" if step is None else step.value):
                await run(job)

        future = self._submit(work, step)
        if changes:
            self._changes.add(future)
            future.add_done_callback(self._changes.discard)

    @contextlib.contextmanager
    def _overseen(self, job: ScreenJob, name: str) -> Iterator[None]:
        """Whatever a step does becomes a stint, however it ends."""
        # The clock of the bus stands still while nothing runs: thinking belongs to no step, and
        # what a step waits for begins with it.
        job.bus.catch_up()
        start_ns, before = job.bus.now(), len(job.exchanges)
        self._working_since_ns = start_ns
        try:
            yield
        finally:
            self._working_since_ns = None
            stint = Stint(
                name, job.endpoint, start_ns, job.bus.now(), tuple(job.exchanges[before:]),
                tuple(job.findings.values()),
            )  # fmt: skip
            for overseer in tuple(self._overseers):
                overseer(stint)

    def _begin_recording(self, link: Link, file: Path | None, kept: bool) -> Recorder | None:
        if not kept:
            return None
        if file is not None:
            from busprobe.session.keeping import begin_recording

            return begin_recording(file, link)
        return None if self._record is None else self._record(link)

    async def _do_open(
        self, argument: str, settings: LineSettings | None, record: Path | None, kept: bool
    ) -> None:
        await self._drop()
        from busprobe.session.screen_job import ScreenJob

        endpoint = parse_link(argument)
        self._settings = settings
        opened = await self._open_link(endpoint, settings)
        try:
            recorder = self._begin_recording(opened.link, record, kept)
        except BusprobeError:
            await opened.link.close()
            raise
        lost, self._lost = self._lost, None
        if lost is None or lost.endpoint != endpoint:
            lost, self._beside_files = None, []
        elif lost.recorder is not None:
            self._beside_files.append(lost.recorder.path)
        self._job = ScreenJob(opened, endpoint, self._emit, self._stop.is_set, recorder)
        self._apply_speed()
        if recorder is not None:
            self._emit(RecordingBegun(str(recorder.path)))
        if lost is not None:
            self._job.take_over(lost)

    async def _drop(self) -> None:
        job, self._job = self._job, None
        if job is not None:
            await job.close()

    async def _do_close(self) -> None:
        await self._drop()
