"""`busprobe balance`: do the meters of the site add up?"""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.balance_words import balance_result, show_balance
from busprobe.cli.call import Call, guarded
from busprobe.cli.documents_energy import BalanceResult
from busprobe.cli.hands import ConsoleOperator, SimulatedOperator, console_is_there
from busprobe.cli.options import json_option, line_options, parse_addresses, settings_from
from busprobe.cli.running import run_job
from busprobe.diagnosis.balance import (
    MeterRole,
    Role,
    balance_findings,
)
from busprobe.model.errors import InputError
from busprobe.model.finding import Severity
from busprobe.model.line import LinkKind
from busprobe.procedures.check_balance import BalancePlan
from busprobe.procedures.operator import HandRequest, Operator
from busprobe.session.energy import check_balance
from busprobe.session.job import Job
from busprobe.session.series import SIGNS, Site, balance_of_series, named

_LARGEST_SERIES = 100_000_000


class RecordedOperator:
    """Was there when the recording was made: everything was done as it was asked."""

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Nothing is left to do."""

    def answer(self) -> bool | None:
        """Done."""
        return True


@click.command("balance")
@click.argument("link", metavar="[LINK]", required=False)
@line_options
@click.option("--grid", metavar="METER", help="Feed-in meter: address, or name in the series.")
@click.option(
    "--generator",
    "generators",
    metavar="METER[:W]",
    multiple=True,
    help="Meter of a generator, with its rating; may be given again.",
)
@click.option("--hybrid", "hybrids", metavar="METER[:W]", multiple=True, help="Hybrid inverter.")
@click.option("--battery", "batteries", metavar="METER", multiple=True, help="A battery.")
@click.option("--consumer", "loads", metavar="METER", multiple=True, help="Meter of a consumer.")
@click.option(
    "--generation",
    type=click.Choice(list(SIGNS)),
    help="What a positive power of a generator's meter means. Its counters tell better.",
)
@click.option(
    "--duration",
    type=click.FloatRange(10, 86_400),
    default=360.0,
    show_default=True,
    help="Read at most so long [s].",
)
@click.option(
    "--curtail", is_flag=True, help="Have every generator held back to a tenth, twice for 40 s."
)
@click.option("--series", type=click.Path(path_type=Path), help="A recorded series, no link.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str | None,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    grid: str | None,
    generators: tuple[str, ...],
    hybrids: tuple[str, ...],
    batteries: tuple[str, ...],
    loads: tuple[str, ...],
    generation: str | None,
    duration: float,
    curtail: bool,
    series: Path | None,
    as_json: bool,
) -> None:
    """Find a generator's meter that is reversed, wrongly scaled, or in the wrong place.

    All meters are read in turn for some minutes; --curtail asks for each generator to be held back
    and set free again, which decides where a steady sun would not. With --series it judges a
    recording: CSV or JSON Lines with t and one set of columns per meter, such as grid.P_L1 and
    gen.P_L1; roles follow from the names unless they are given, and "off" and "on" in the mark
    column mean held back and free.
    """
    call = Call.begin("balance", as_json)

    def parse() -> Site:
        return Site(
            None if grid is None else named(grid),
            tuple(map(named, generators)),
            tuple(map(named, hybrids)),
            tuple(map(named, batteries)),
            tuple(map(named, loads)),
            None if generation is None else SIGNS[generation],
        )

    if series is not None:
        ctx.exit(guarded(call, lambda: _offline(call, series, link, parse())))
    if link is None or grid is None or not (generators or hybrids or batteries or loads):
        raise click.UsageError(
            "Give a LINK, the feed-in meter (--grid) and another meter, or --series FILE."
        )
    settings = settings_from(baud, parity, stop_bits)
    meters: dict[int, tuple[str, MeterRole]] = {}

    def address() -> int:
        meters.update(_addressed(parse()))
        return diagnostics.ExitStatus.CLEAN

    status = guarded(call, address)
    if status:
        ctx.exit(status)
    bus_link = link

    async def work(job: Job) -> BalanceResult:
        await job.find_device(next(iter(meters)), settings)
        operator: Operator | None = None
        if curtail:
            if job.endpoint.kind is LinkKind.REPLAY:
                # Asked only where the recording does not say what people did.
                operator = RecordedOperator()
            elif job.hands is not None:
                operator = SimulatedOperator(job.hands)
            elif console_is_there():
                operator = ConsoleOperator()
            else:
                diagnostics.say("Nobody can be asked to hold a generator back: only watching.")
        held = tuple(name for name, known in meters.values() if known.role is Role.GENERATOR)
        plan = BalancePlan(duration, curtail=held if curtail else ())
        diagnosis = await check_balance(job, meters, plan, operator)
        addresses = {name: address for address, (name, _) in meters.items()}
        return balance_result(diagnosis, addresses)

    run_job(ctx, call, bus_link, settings, work, lambda result, traffic: show_balance(result))


def _addressed(site: Site) -> dict[int, tuple[str, MeterRole]]:
    """The meters by address, named after their roles."""
    found: dict[int, tuple[str, MeterRole]] = {}
    roles = site.by_role()
    for role, meter in roles:
        (address,) = _one_address(meter.name)
        if address in found:
            raise InputError(
                f"Address {address} was given twice.", "Every meter takes part in one role only."
            )
        several = sum(r is role for r, _ in roles) > 1
        name = f"{role.value} {address}" if several else role.value
        # The sign of a meter on a bus is told by its counters, or stays open: published maps
        # state none.
        found[address] = (name, site.known(role, meter.rated_w, usual=False))
    return found


def _one_address(text: str) -> tuple[int, ...]:
    found = parse_addresses(text)
    if len(found) != 1:
        raise InputError(f"'{text}' is more than one address.", "Give each meter by itself.")
    return found


def _offline(call: Call, file: Path, link: str | None, site: Site) -> int:
    if link is not None:
        raise InputError("Both a link and a series were given.", "Give one of them.")
    diagnosis = balance_of_series(file, site)
    findings = list(balance_findings(diagnosis))
    result = balance_result(diagnosis, {})
    if call.as_json:
        output.document(call.document(result, findings))
    else:
        show_balance(result)
        words.findings(findings)
    fault = any(f.severity is Severity.FAULT for f in findings)
    return diagnostics.ExitStatus.FAULTS if fault else diagnostics.ExitStatus.CLEAN
