"""Commands about files, as a part of the session: series that are judged, recordings exported."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from concurrent.futures import Future
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.errors import BusprobeError
from busprobe.session.events import Event, Exported, SeriesJudged, Step

if TYPE_CHECKING:
    from busprobe.session.screen_job import ScreenJob
    from busprobe.session.wishes import ExportWish, SeriesWish


class FileCommands:
    """Mixin of the session: needs no link, sends nothing."""

    _job: ScreenJob | None

    def _emit(self, event: Event) -> None:
        raise NotImplementedError

    def _submit(
        self, work: Callable[[], Awaitable[None]], step: Step | None, *, opens: bool = False
    ) -> Future[None]:
        raise NotImplementedError

    def judge_series(self, wish: SeriesWish) -> None:
        """Judge a recorded series; what comes of it is told as `SeriesJudged`."""

        async def run() -> None:
            try:
                judged = await asyncio.to_thread(_judged, wish)
            except BusprobeError as error:
                judged = SeriesJudged(str(wish.file), error=str(error))
            self._emit(judged)

        self._submit(run, None)

    def export(self, wish: ExportWish) -> None:
        """Write a recording as files for other programs; told as `Exported`."""

        async def run() -> None:
            try:
                from busprobe.session.handover import recording_of

                recording = wish.recording
                if recording is None and self._job is not None:
                    recording = recording_of(self._job)
                done = await asyncio.to_thread(_exported, recording, wish)
            except BusprobeError as error:
                done = Exported((), error=str(error))
            self._emit(done)

        self._submit(run, None)


def _judged(wish: SeriesWish) -> SeriesJudged:
    from busprobe.diagnosis.balance import balance_findings
    from busprobe.diagnosis.wiring import KnownLoad, MeterSystem, wiring_findings
    from busprobe.session import series

    if not wish.site:
        load = None
        if wish.load_w is not None:
            load = KnownLoad(wish.load_w, wish.tolerance, wish.phase)
        system = MeterSystem(wish.system) if wish.system else None
        wiring = series.wiring_of_series(wish.file, load, system)
        found = tuple(wiring_findings(None, None, wiring))
        return SeriesJudged(str(wish.file), wiring=wiring, findings=found)
    by_role: dict[str, list[series.Named]] = {}
    for role, text in wish.meters:
        by_role.setdefault(role, []).append(series.named(text))
    grid = by_role.get("grid")
    site = series.Site(
        grid[0] if grid else None,
        tuple(by_role.get("generator", ())),
        tuple(by_role.get("hybrid", ())),
        tuple(by_role.get("battery", ())),
        tuple(by_role.get("load", ())),
        series.SIGNS[wish.generation] if wish.generation else None,
    )
    balance = series.balance_of_series(wish.file, site)
    return SeriesJudged(
        str(wish.file), balance=balance, findings=tuple(balance_findings(balance))
    )  # fmt: skip


def _exported(recording: Path | None, wish: ExportWish) -> Exported:
    from busprobe.model.errors import InputError
    from busprobe.recording.exports import write_exports
    from busprobe.recording.read import open_recording

    if recording is None:
        raise InputError("No recording is named, and no link is open.", "Name a recording.")
    with open_recording(recording) as kept:
        files = write_exports(
            kept, recording, pcapng=wish.pcapng, readings=wish.readings, frames=wish.frames,
            everything=wish.everything,
        )  # fmt: skip
    return Exported(tuple(str(file) for file in files))
