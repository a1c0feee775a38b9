"""Runs one job for one command and prints what came of it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import TypeVar

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, Traffic, guarded, outside
from busprobe.cli.convert import link_part
from busprobe.cli.documents import Part
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session import events
from busprobe.session.job import Job

ResultT = TypeVar("ResultT", bound=Part)


def run_job(
    ctx: click.Context,
    call: Call,
    link: str,
    settings: LineSettings | None,
    work: Callable[[Job], Awaitable[ResultT]],
    show: Callable[[ResultT, Job], None],
) -> None:
    """Open the link, do the work, print the result, and leave with the exit status."""

    async def run() -> int:
        endpoint = parse_link(link)
        opened = await outside(ctx).open_link(endpoint, settings)
        job = Job(opened, endpoint, teller(call.as_json))
        try:
            result = await work(job)
        except LinkError:
            _salvage(job)
            raise
        finally:
            diagnostics.progress_done()
            await job.close()
        found = list(job.findings.values())
        if call.as_json:
            output.document(call.document(result, found, traffic_of(job)))
        else:
            show(result, job)
            words.findings(found)
        return diagnostics.ExitStatus.FAULTS if job.has_faults else diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, lambda: asyncio.run(run())))


def traffic_of(job: Job) -> Traffic:
    """What a job did on its link."""
    return Traffic(link_part(job), round(job.bus_time_s, 6), len(job.exchanges))


def _salvage(job: Job) -> None:
    """The link was lost: what was found before is still worth knowing."""
    diagnostics.progress_done()
    if job.devices:
        listed = ", ".join(map(str, sorted(job.devices)))
        diagnostics.say(f"Before the link was lost these addresses had answered: {listed}.")


def teller(quiet: bool) -> Callable[[events.Event], None]:
    """Tells on standard error how a job goes on."""

    def tell(event: events.Event) -> None:
        match event:
            case events.StepStarted(_, intent):
                diagnostics.say(intent)
            case events.StepProgress(_, done, total, remaining_s, text):
                share = f"{100 * done // total:3d} % " if total else ""
                left = f", {remaining_s:.0f} s left" if remaining_s is not None else ""
                diagnostics.progress(f"{share}{text}{left}")
            case events.DeviceKnown(device) if device.identity.source == "none" and not quiet:
                diagnostics.progress_done()
                diagnostics.say(f"  address {device.address} answers")
            case _:
                pass

    return tell
