"""Runs one job for one command and prints what came of it."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Awaitable, Callable, Sequence
from typing import TypeVar

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, Traffic, guarded, outside
from busprobe.cli.convert import link_part, scan_result
from busprobe.cli.documents import LinkPart, Part, ScanResult, SearchedPart
from busprobe.cli.early_stop import EarlyStop
from busprobe.cli.keeping import recorder_for, tell_trouble
from busprobe.model.errors import LinkError
from busprobe.model.finding import Finding, Severity
from busprobe.model.line import Endpoint, LineSettings, parse_link
from busprobe.session import events
from busprobe.session.hosts import reachable_hosts
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink
from busprobe.session.values import FindResult

ResultT = TypeVar("ResultT", bound=Part)


def run_job(
    ctx: click.Context,
    call: Call,
    link: str,
    settings: LineSettings | None,
    work: Callable[[Job], Awaitable[ResultT]],
    show: Callable[[ResultT, Traffic], None],
    failed: Callable[[ResultT], bool] = lambda result: False,
    finish: Callable[[ResultT], ResultT] = lambda result: result,
    *,
    counts: bool = False,
) -> None:
    """Open the link, do the work, print the result, and leave with the exit status.

    `finish` completes the result once the link is released and the recording is whole. Work that
    only `counts` is ended by Ctrl-C with what it has counted, and the exit status of a stop.
    """
    stop = EarlyStop()

    async def run() -> int:
        endpoint = parse_link(link)
        opened = await outside(ctx).open_link(endpoint, settings)
        recorder = recorder_for(ctx, opened.link)
        job = Job(opened, endpoint, teller(call.as_json), lambda: stop.asked, recorder=recorder)
        try:
            with stop if counts else contextlib.nullcontext():
                result = await work(job)
        except (LinkError, asyncio.CancelledError):
            # Lost, or stopped with Ctrl-C.
            _salvage(job)
            raise
        finally:
            diagnostics.progress_done()
            await job.close()
            tell_trouble(recorder)
        result = finish(result)
        found = list(job.findings.values())
        if call.as_json:
            output.document(call.document(result, found, traffic_of(job)))
        else:
            show(result, traffic_of(job))
            words.findings(found)
        if stop.asked:
            return diagnostics.ExitStatus.INTERRUPTED
        faulty = job.has_faults or failed(result)
        return diagnostics.ExitStatus.FAULTS if faulty else diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, lambda: asyncio.run(run())))


def traffic_of(job: Job) -> Traffic:
    """What a job did on its link."""
    return Traffic(link_part(job), round(job.bus_time_s, 6), job.bus.exchanges, files_of(job))


def files_of(job: Job) -> tuple[str, ...]:
    """The file in which a job is recorded, if it is."""
    return () if job.recorder is None else (str(job.recorder.path),)


def scan_hosts(
    ctx: click.Context,
    call: Call,
    argument: str,
    endpoints: Sequence[Endpoint],
    search: Callable[[Job], Awaitable[FindResult]],
    show: Callable[[ScanResult, Traffic], None],
) -> int:
    """Search every host that accepts a connection; a host that fails does not end the search."""

    async def run() -> int:
        open_link = outside(ctx).open_link

        def tried(count: int, endpoint: Endpoint, opened: OpenedLink | None) -> None:
            diagnostics.progress(f"{count} of {len(endpoints)} hosts tried")

        hosts = await reachable_hosts(endpoints, open_link, tried)
        diagnostics.progress_done()
        diagnostics.say(f"{len(hosts)} of {len(endpoints)} hosts accept a connection.")
        parts: list[ScanResult] = []
        found: list[Finding] = []
        bus_time_s, exchanges = 0.0, 0
        recordings: tuple[str, ...] = ()
        for endpoint, opened in hosts:
            recorder = recorder_for(ctx, opened.link, endpoint.target)
            job = Job(opened, endpoint, teller(call.as_json), recorder=recorder)
            try:
                parts.append(scan_result(await search(job), endpoint.target))
            except LinkError as error:
                diagnostics.error(error)
            finally:
                diagnostics.progress_done()
                await job.close()
                tell_trouble(recorder)
            recordings += files_of(job)
            found += job.findings.values()
            bus_time_s += job.bus_time_s
            exchanges += len(job.exchanges)
        waits = [part.searched.silent_ms for part in parts]
        result = ScanResult(
            devices=[device for part in parts for device in part.devices],
            silent=sorted({address for part in parts for address in part.silent}),
            searched=SearchedPart(
                addresses=sorted({a for part in parts for a in part.searched.addresses}),
                settings=[],
                silent_ms=min((ms for ms in waits if ms is not None), default=None),
            ),
        )
        link = LinkPart(argument=argument, kind="tcp", settings=None)
        traffic = Traffic(link, round(bus_time_s, 6), exchanges, recordings)
        if call.as_json:
            output.document(call.document(result, found, traffic))
        else:
            show(result, traffic)
            words.findings(found)
        faults = any(f.severity is Severity.FAULT for f in found)
        return diagnostics.ExitStatus.FAULTS if faults else diagnostics.ExitStatus.CLEAN

    return guarded(call, lambda: asyncio.run(run()))


def _salvage(job: Job) -> None:
    """The work ended early: what was found before is still worth knowing."""
    diagnostics.progress_done()
    for address, device in sorted(job.devices.items()):
        serial = f", serial number {device.identity.serial}" if device.identity.serial else ""
        diagnostics.say(f"Until then address {address} had answered: {device.identity}{serial}.")
    for finding in job.findings.values():
        diagnostics.say(f"Until then was found: {finding.summary}")


def teller(quiet: bool) -> Callable[[events.Event], None]:
    """Tells on standard error how a job goes on."""

    def tell(event: events.Event) -> None:
        match event:
            case events.StepStarted(_, intent):
                diagnostics.progress_done()
                diagnostics.say(intent)
            case events.StepProgress(_, done, total, remaining_s, text):
                share = f"{100 * done // total:3d} % " if total else ""
                left = f", {remaining_s:.0f} s left" if remaining_s is not None else ""
                diagnostics.progress(f"{share}{text}{left}")
            case events.ChangeEnded(_, result) if result is not None:
                # How it ended is printed, unless the command itself ends here.
                if result.state.value == "interrupted":
                    diagnostics.progress_done()
                    diagnostics.say(result.text)
            case events.SeparationEnded(result) if result.interrupted:
                diagnostics.progress_done()
                diagnostics.say(result.text)
            case events.SeparationSeen(_, text):
                diagnostics.progress_done()
                diagnostics.say(f"  {text}")
            case events.DeviceKnown(device) if device.identity.source == "none" and not quiet:
                diagnostics.progress_done()
                diagnostics.say(f"  address {device.address} answers")
            case _:
                pass

    return tell
