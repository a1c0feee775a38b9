"""`busprobe duplicates`: does more than one device answer at an address?"""

from __future__ import annotations

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic, guarded
from busprobe.cli.convert import duplicate_part
from busprobe.cli.documents import DuplicatesResult
from busprobe.cli.options import (
    json_option,
    line_options,
    link_argument,
    parse_addresses,
    settings_from,
)
from busprobe.cli.running import run_job
from busprobe.session.job import Job
from busprobe.session.values import FindPlan

_HIDDEN = (
    "Two of one model that answer in step can hide behind each other. If a meter is missing, ask "
    "again from the other end of the cable: the serial number must be the same."
)


@click.command("duplicates")
@link_argument
@click.argument("addresses", metavar="[ADDRESSES]", required=False)
@line_options
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    addresses: str | None,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    as_json: bool,
) -> None:
    """Prove whether two devices share an address, and which two.

    ADDRESSES as 1,2,10-12; without it the line is searched first and every address that answers is
    checked.
    """
    call = Call.begin("duplicates", as_json)
    wanted: list[tuple[int, ...]] = [()]

    def check() -> int:
        if addresses is not None:
            wanted[0] = parse_addresses(addresses)
        return 0

    status = guarded(call, check)
    if status:
        ctx.exit(status)
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> DuplicatesResult:
        targets = wanted[0]
        if targets:
            await job.find_device(targets[0], settings)
        else:
            await job.find(FindPlan(settings=settings, second_round=False, duplicates=False))
            targets = tuple(sorted(job.devices))
        parts = []
        for address in targets:
            before = job.bus_time_s
            verdicts = await job.check_addresses((address,))
            if address in verdicts:
                parts.append(duplicate_part(verdicts[address], job.bus_time_s - before))
        return DuplicatesResult(addresses=parts)

    def show(result: DuplicatesResult, traffic: Traffic) -> None:
        output.line()
        words.table(
            ("address", "verdict", "probability", "exchanges", "bus time", "serial numbers"),
            [
                (
                    str(p.address),
                    p.verdict,
                    words.probability(p.probability),
                    str(p.exchanges),
                    f"{p.bus_time_s:.1f} s",
                    ", ".join(p.serials) or "-",
                )
                for p in result.addresses
            ],
            right=(0, 3),
        )
        if any(p.verdict == "single" for p in result.addresses):
            output.line()
            words.paragraph("note", _HIDDEN)

    run_job(ctx, call, link, settings, work, show)
