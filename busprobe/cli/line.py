"""`busprobe line`: what is wrong with the line, how often, and what should it be on paper?"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic, guarded
from busprobe.cli.documents_line import (
    CausePart,
    LineAddressPart,
    LineResult,
    LineTurnAroundPart,
)
from busprobe.cli.line_paper import calculation_part, calculation_words, paper_options
from busprobe.cli.listen import errors_told, line_errors_part
from busprobe.cli.options import (
    json_option,
    line_options,
    parse_addresses,
    settings_from,
)
from busprobe.cli.running import run_job
from busprobe.model.errors import InputError
from busprobe.model.finding import certainty
from busprobe.session.job import Job
from busprobe.session.planning import planned_addresses
from busprobe.session.values import FindPlan

if TYPE_CHECKING:
    from busprobe.diagnosis.line_health import Tally
    from busprobe.session.values import LineReport

_BAR = 40
# Time-outs in use by masters (common practice, no source).
_TIMEOUTS_MS = (50, 100, 200, 300, 500)


@click.command("line")
@click.argument("link", metavar="[LINK]", required=False)
@click.argument("addresses", metavar="[ADDRESSES]", required=False)
@line_options
@click.option(
    "--soak",
    type=click.FloatRange(0, 30 * 86_400),
    default=0.0,
    metavar="SECONDS",
    help="Go on asking for so long and count; minutes to days.",
)
@click.option("--insist", is_flag=True, help="Ask although another master is heard.")
@click.option(
    "--plan",
    "plan_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Ask whom this plan expects, too: who is silent is told.",
)
@click.option(
    "--calculate",
    is_flag=True,
    help="Calculate a line from the options below; no LINK is used, nothing is sent.",
)
@paper_options
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    /,
    link: str | None,
    addresses: str | None,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    soak: float,
    insist: bool,
    plan_file: Path | None,
    calculate: bool,
    as_json: bool,
    **paper: str | float | int | None,
) -> None:
    """Find what is wrong with the line, count errors, or calculate it on paper.

    The addresses (as 1,2,10-12; all that answer when left out) are asked with short and long reads
    after short and long pauses. How they fail tells noise, missing bias, echo, drivers that switch
    too late or too early, lost and held back bytes, a pause that is too short, slow answers, wrong
    parity, a foreign master, a gateway, confused devices and doubled addresses apart, each with a
    probability. Only read requests are sent. Where the adapter counts no framing or parity errors
    they are unknown, not absent.

    With --calculate: for example

      busprobe line --calculate --terminators 120,120 --bias 560 --nodes 4 --length 80 --baud 9600
    """
    call = Call.begin("line", as_json)
    settings = settings_from(baud, parity, stop_bits)
    if calculate:

        def on_paper() -> int:
            from busprobe.model.line import LineSettings

            if link is not None:
                raise InputError(
                    "--calculate uses no LINK.", "Leave out LINK, or leave out --calculate."
                )
            part = calculation_part(settings or LineSettings(), paper)
            result = LineResult(
                addresses=[],
                causes=[],
                healthy=None,
                line_errors=None,
                character_marks=False,
                calculation=part,
            )
            if as_json:
                output.document(call.document(result))
            else:
                calculation_words(part)
            return 0 if all(c.good for c in part.checks) else 1

        ctx.exit(guarded(call, on_paper))
    wanted: list[tuple[int, ...]] = [()]

    def check() -> int:
        if link is None:
            raise InputError("No link was given.", "Name one, or use --calculate.")
        if addresses is not None:
            wanted[0] = parse_addresses(addresses)
        return 0

    status = guarded(call, check)
    if status:
        ctx.exit(status)
    assert link is not None

    async def work(job: Job) -> LineResult:
        listen_s = 3.0
        if wanted[0]:
            await job.find_device(wanted[0][0], settings)
        else:
            await job.find(
                FindPlan(settings=settings, second_round=False, duplicates=False, insist=insist)
            )
            listen_s = 0.0
        asked = wanted[0]
        if plan_file is not None:
            asked = tuple(sorted({*(asked or job.devices), *planned_addresses(job, plan_file)}))
        report = await job.check_line(asked, soak_s=soak, insist=insist, listen_first_s=listen_s)
        for tally in report.tallies.values():
            _spreads[tally.address] = tally
        return _result(report)

    _spreads: dict[int, Tally] = {}

    def show(result: LineResult, traffic: Traffic) -> None:
        _show(result, traffic, _spreads if soak else {})

    run_job(ctx, call, link, settings, work, show, counts=True)


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


def _address_part(tally: Tally) -> LineAddressPart:
    low, high = tally.error_interval
    return LineAddressPart(
        address=tally.address,
        exchanges=tally.exchanges,
        answered=tally.answered,
        damaged=tally.damaged,
        silent=tally.silent,
        late=tally.late,
        crowded=tally.crowded,
        misaddressed=tally.misaddressed,
        error_rate=tally.error_rate,
        error_rate_low=low,
        error_rate_high=high,
        turnaround_ms=LineTurnAroundPart(
            median=_rounded(tally.turnaround_ms(0.5)),
            p95=_rounded(tally.turnaround_ms(0.95)),
            max=_rounded(tally.slowest_ms),
        ),
    )


def _result(report: LineReport) -> LineResult:
    from busprobe.diagnosis.line_health import healthy

    return LineResult(
        addresses=[_address_part(t) for t in report.tallies.values()],
        causes=[
            CausePart(code=c.code, address=c.address, probability=min(1.0, c.probability))
            for c in report.weighed.causes
        ],
        healthy=healthy(report.weighed),
        line_errors=line_errors_part(report.errors),
        character_marks=report.marks,
        calculation=None,
    )


def _show(result: LineResult, traffic: Traffic, spreads: dict[int, Tally]) -> None:
    output.line()
    words.table(
        (
            "address",
            "asked",
            "clean",
            "damaged",
            "silent",
            "late",
            "crowded",
            "errors",
            "95 % interval",
            "median",
            "p95",
            "longest",
        ),
        [_row(a) for a in result.addresses],
        right=tuple(range(12)),
    )
    for address, tally in spreads.items():
        _bars(address, tally)
    if result.causes:
        output.line()
        words.table(
            ("probability", "cause", "address"),
            [
                (
                    words.probability(c.probability),
                    c.code,
                    "-" if c.address is None else str(c.address),
                )
                for c in result.causes
            ],
            right=(0,),
        )
    output.line()
    counted = errors_told(result.line_errors, result.character_marks)
    healthy = result.healthy or 0.0
    state = "Nothing" if healthy >= 0.5 else "Something"
    sure = certainty(max(healthy, 1 - healthy))
    output.line(f"{state} is wrong: {sure} sure; {counted}.")
    output.line(f"{traffic.exchanges} exchanges in {traffic.bus_time_s:.1f} s of bus time.")


def _row(a: LineAddressPart) -> tuple[str, ...]:
    def ms(value: float | None) -> str:
        return "-" if value is None else f"{value:.1f} ms"

    return (
        str(a.address),
        str(a.exchanges),
        str(a.answered),
        str(a.damaged),
        str(a.silent),
        str(a.late + a.misaddressed),
        str(a.crowded),
        f"{100 * a.error_rate:.2f} %",
        f"{100 * a.error_rate_low:.2f}-{100 * a.error_rate_high:.2f} %",
        ms(a.turnaround_ms.median),
        ms(a.turnaround_ms.p95),
        ms(a.turnaround_ms.max),
    )


def _bars(address: int, tally: Tally) -> None:
    """Turn-arounds as text bars, on a logarithmic scale of counts."""
    spread = tally.spread()
    if not spread:
        return
    most = max(count for _, _, count in spread)
    output.line()
    output.line(f"Turn-around at address {address} (bars: logarithm of the count)")
    for low, high, count in spread:
        size = round(_BAR * math.log1p(count) / math.log1p(most)) if count else 0
        output.line(f"  {low:8.2f} to {high:8.2f} ms  {'#' * size:<{_BAR}}  {count}")
    lost = [(ms, tally.slower_than(ms)) for ms in _TIMEOUTS_MS]
    told = ", ".join(f"{ms} ms: {100 * share:.2f} %" for ms, share in lost)
    output.line(f"  answers that a time-out would lose: {told}")
