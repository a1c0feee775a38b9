"""`busprobe scan`: who is on this bus?"""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic, guarded
from busprobe.cli.convert import scan_result
from busprobe.cli.documents import DevicePart, ScanResult
from busprobe.cli.options import (
    json_option,
    line_options,
    link_argument,
    parse_addresses,
    settings_from,
)
from busprobe.cli.running import run_job, scan_hosts
from busprobe.model.hosts import parse_links
from busprobe.session.job import Job
from busprobe.session.values import FindPlan, FindResult


@click.command("scan")
@link_argument
@line_options
@click.option("--addresses", metavar="LIST", help="Only these, as 1-20,100. Default: all of 1-247.")
@click.option("--quick", is_flag=True, help="Leave out the second, slower round.")
@click.option(
    "--fast",
    is_flag=True,
    help="Listen 50 ms to each address and salvage late answers by the address inside (see above).",
)
@click.option(
    "--listen-first",
    type=click.FloatRange(0, 600),
    default=3.0,
    show_default=True,
    help="Listen this long before the first request [s].",
)
@click.option("--insist", is_flag=True, help="Search although another master is heard.")
@click.option("--no-duplicates", is_flag=True, help="Do not look for a second device per address.")
@click.option(
    "--profile",
    "profiles",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A device profile of your own; may be repeated.",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    addresses: str | None,
    quick: bool,
    fast: bool,
    listen_first: float,
    insist: bool,
    no_duplicates: bool,
    profiles: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Find and identify every device on a bus.

    Only read requests are sent, to addresses 1 to 247, after listening for another master. Several
    Modbus TCP hosts are searched as tcp://192.168.1.0/24 or tcp://192.168.1.10-20. Without
    line options the common line settings are tried.

    --fast asks every address once and listens 50 ms instead of 100 ms and 300 ms; a late answer
    names its sender and is asked again by itself, so that devices up to 500 ms are found. What it
    may miss: a device slower than 50 ms that refuses the read (7 % of them at 9600 Bd: its short
    answer can hide inside the next request), and every device slower than 50 ms that drops its
    answer when it hears another request. Who is missing then is found by a scan without --fast. Use
    it only where no other master talks.
    """
    call = Call.begin("scan", as_json)

    def plan() -> FindPlan:
        return FindPlan(
            addresses=() if addresses is None else parse_addresses(addresses),
            settings=settings_from(baud, parity, stop_bits),
            second_round=not quick,
            listen_first_s=listen_first,
            insist=insist,
            duplicates=not no_duplicates,
            fast=fast,
        )

    async def search(job: Job) -> FindResult:
        if profiles:
            job.use_profile_files(profiles)
        return await job.find(plan())

    async def work(job: Job) -> ScanResult:
        return scan_result(await search(job))

    def several() -> int | None:
        plan()  # A wrong call is told before anything is opened.
        endpoints = parse_links(link)
        if len(endpoints) == 1:
            return None
        return scan_hosts(ctx, call, link, endpoints, search, _show)

    status = guarded(call, several)
    if status is not None:
        ctx.exit(status)
    run_job(ctx, call, link, settings_from(baud, parity, stop_bits), work, _show)


def _show(result: ScanResult, traffic: Traffic) -> None:
    output.line()
    if not result.devices:
        output.line(f"Nobody answered at {len(result.searched.addresses)} addresses.")
    else:
        hosts = any(device.host for device in result.devices)
        heads = ("address", "device", "serial", "settings", "map", "answers in", "alone?")
        words.table(
            (*heads, "host") if hosts else heads,
            [(*_row(d), d.host or "") if hosts else _row(d) for d in result.devices],
            right=(0,),
        )
    output.line()
    waited = result.searched.silent_ms
    proof = "" if waited is None else f" (nobody there answers within {waited:.0f} ms)"
    output.line(
        f"{len(result.silent)} of {len(result.searched.addresses)} addresses stayed silent{proof}; "
        f"{traffic.exchanges} exchanges in {traffic.bus_time_s:.1f} s of bus time."
    )


def _row(device: DevicePart) -> tuple[str, ...]:
    identity = device.identity
    name = " ".join(part for part in (identity.maker, identity.model) if part) or "unidentified"
    settings = device.settings
    map_ = "none known"
    if device.sunspec is not None:
        map_ = "SunSpec " + ", ".join(str(m.id) for m in device.sunspec.models)
    elif device.profile:
        map_ = f"profile {device.profile}"
    median = device.turnaround_ms.median
    return (
        str(device.address),
        name,
        identity.serial,
        f"{settings.baud} 8{settings.parity}{settings.stop_bits}" if settings else "-",
        map_,
        "-" if median is None else f"{median:.1f} ms",
        {"single": "yes", "duplicate": "NO", "undecided": "undecided"}[device.duplicate],
    )
