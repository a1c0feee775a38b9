"""`busprobe plan`: a first site plan from what answers."""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import Sequence
from pathlib import Path

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.call import Call, Traffic, guarded, outside
from busprobe.cli.documents_handover import FirstPlanResult, PlannedDevicePart
from busprobe.cli.keeping import recorder_for, tell_trouble
from busprobe.cli.options import (
    json_option,
    line_options,
    link_argument,
    parse_addresses,
    settings_from,
)
from busprobe.cli.running import teller, traffic_of
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.job import Job
from busprobe.session.planning import scanned
from busprobe.session.values import FindPlan, FindResult
from busprobe.site.first_plan import Scanned, first_plan
from busprobe.site.plan import check_plan_text


@click.command("plan")
@link_argument
@line_options
@click.option("-o", "--output", "target", type=click.Path(path_type=Path), help="File to write.")
@click.option("--force", is_flag=True, help="Overwrite the file.")
@click.option("--addresses", metavar="LIST", help="Only these, as 1-20,100. Default: all of 1-247.")
@click.option("--insist", is_flag=True, help="Search although another master is heard.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    target: Path | None,
    force: bool,
    addresses: str | None,
    insist: bool,
    as_json: bool,
) -> None:
    """Search a bus and write a first site plan, to be filled in by hand.

    Only what was found is written; roles, ratings and limits stand there as comments. Only read
    requests are sent.
    """
    call = Call.begin("plan", as_json)
    settings = settings_from(baud, parity, stop_bits)

    def run() -> int:
        if target is not None and target.exists() and not force:
            raise InputError(f"{target} exists already.", "Give another name, or --force.")
        wanted = () if addresses is None else parse_addresses(addresses)
        search = FindPlan(wanted, settings, insist=insist, duplicates=False)
        text, devices, traffic = asyncio.run(_searched(ctx, link, settings, search, quiet=as_json))
        if target is not None:
            _write(target, text)
        if as_json:
            output.document(call.document(_result(target, text, devices), (), traffic))
        elif target is None:
            output.raw(text)
        else:
            diagnostics.say(
                f"Written to {target}. Fill in the roles, then: busprobe verify {target}"
            )
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def _result(target: Path | None, text: str, devices: Sequence[Scanned]) -> FirstPlanResult:
    mistakes, advice = check_plan_text(text, "plan" if target is None else str(target))
    return FirstPlanResult(
        file=None if target is None else str(target),
        text=text,
        devices=[
            PlannedDevicePart(
                address=found.device.address,
                device=str(found.device.identity),
                serial=found.device.identity.serial,
                settings=None if found.settings is None else str(found.settings),
                serials=list(found.serials),
            )
            for found in devices
        ],
        mistakes=list(mistakes),
        advice=list(advice),
    )


async def _searched(
    ctx: click.Context,
    link: str,
    settings: LineSettings | None,
    search: FindPlan,
    *,
    quiet: bool,
) -> tuple[str, list[Scanned], Traffic]:
    endpoint = parse_link(link)
    opened = await outside(ctx).open_link(endpoint, settings)
    recorder = recorder_for(ctx, opened.link)
    job = Job(opened, endpoint, teller(quiet=quiet), recorder=recorder)
    try:
        found = await job.find(search)
        home = job.bus.settings
        devices = await _scanned(job, found)
        traffic = traffic_of(job)
    finally:
        diagnostics.progress_done()
        await job.close()
        tell_trouble(recorder)
    made = datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    return first_plan(endpoint, home, devices, made), devices, traffic


async def _scanned(job: Job, found: FindResult) -> list[Scanned]:
    """What was found, each address asked whether more than one device answers there."""
    addresses = tuple(d.device.address for d in found.devices)
    verdicts = await job.check_addresses(addresses) if job.bus.is_serial and addresses else {}
    return scanned(job, {address: verdict.serials for address, verdict in verdicts.items()})


def _write(target: Path, text: str) -> None:
    try:
        target.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"{target}: {error.strerror or 'it cannot be written'}.", "Give another place."
        ) from error
