"""Runs one job for one command and prints what came of it."""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TypeVar

import click

from busprobe import __version__
from busprobe.cli import diagnostics, output, words
from busprobe.cli.app import Outside
from busprobe.cli.convert import findings_part, link_part
from busprobe.cli.documents import Document, ErrorDocument, Part
from busprobe.model.errors import BusprobeError, LinkError
from busprobe.model.finding import Finding
from busprobe.model.line import Endpoint, LineSettings, parse_link
from busprobe.session import events
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink

ResultT = TypeVar("ResultT", bound=Part)


@dataclass(frozen=True, slots=True)
class Call:
    """One call of a command."""

    command: str
    as_json: bool
    started: str

    @classmethod
    def begin(cls, command: str, as_json: bool) -> Call:
        """Note when the call began."""
        return cls(command, as_json, datetime.datetime.now().astimezone().isoformat("T", "seconds"))

    def fail(self, error: BusprobeError) -> int:
        """Report an error, in words and, when asked for, as a document."""
        if self.as_json:
            output.document(
                ErrorDocument(
                    command=self.command,
                    version=__version__,
                    error=error.cause,
                    next_step=error.next_step,
                )
            )
        diagnostics.error(error)
        return diagnostics.status_of(error)

    def document(
        self,
        result: ResultT,
        *,
        job: Job | None = None,
        findings: list[Finding] | None = None,
    ) -> Document[ResultT]:
        """The document of this call."""
        return Document[ResultT](
            command=self.command,
            version=__version__,
            started=self.started,
            link=None if job is None else link_part(job),
            bus_time_s=0.0 if job is None else round(job.bus_time_s, 6),
            exchanges=0 if job is None else len(job.exchanges),
            findings=findings_part(
                findings if findings is not None else list(job.findings.values()) if job else []
            ),
            result=result,
        )


def outside(ctx: click.Context) -> Outside:
    """What the launcher handed over."""
    found = ctx.find_object(Outside)
    assert found is not None
    return found


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
        opened = await _open(outside(ctx), endpoint, settings)
        job = Job(opened, endpoint, _tell(call.as_json))
        try:
            result = await work(job)
        except LinkError:
            _salvage(job)
            raise
        finally:
            diagnostics.progress_done()
            await job.close()
        if call.as_json:
            output.document(call.document(result, job=job))
        else:
            show(result, job)
            words.findings(list(job.findings.values()))
        return diagnostics.ExitStatus.FAULTS if job.has_faults else diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, lambda: asyncio.run(run())))


def guarded(call: Call, work: Callable[[], int]) -> int:
    """Run something and turn its errors into words and an exit status."""
    try:
        return work()
    except BusprobeError as error:
        return call.fail(error)
    except KeyboardInterrupt:
        diagnostics.progress_done()
        diagnostics.say("Stopped.")
        return 130


def _salvage(job: Job) -> None:
    """The link was lost: what was found before is still worth knowing."""
    diagnostics.progress_done()
    if job.devices:
        listed = ", ".join(map(str, sorted(job.devices)))
        diagnostics.say(f"Before the link was lost these addresses had answered: {listed}.")


async def _open(outside_: Outside, endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
    return await outside_.open_link(endpoint, settings)


def _tell(quiet: bool) -> Callable[[events.Event], None]:
    def tell(event: events.Event) -> None:
        match event:
            case events.StepStarted(_, intent):
                diagnostics.say(intent)
            case events.StepProgress(_, done, total, remaining_s, text):
                share = f"{100 * done // total:3d} % " if total else ""
                left = f", {remaining_s:.0f} s left" if remaining_s is not None else ""
                diagnostics.progress(f"{share}{text}{left}")
            case events.DeviceKnown(device) if device.identity.source == "none":
                diagnostics.progress_done()
                if not quiet:
                    diagnostics.say(f"  address {device.address} answers")
            case _:
                pass

    return tell
