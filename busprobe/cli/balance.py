"""`busprobe balance`: do the meters of the site add up?"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
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
    Positive,
    Role,
    balance_findings,
    diagnose_balance,
)
from busprobe.diagnosis.series_text import parse_site_series
from busprobe.model.errors import InputError
from busprobe.model.finding import Severity
from busprobe.model.line import LinkKind
from busprobe.model.series import Series
from busprobe.procedures.check_balance import BalancePlan
from busprobe.procedures.operator import HandRequest, Operator
from busprobe.session.energy import check_balance
from busprobe.session.job import Job

# A day of one-second rows of four meters.
_LARGEST_SERIES = 100_000_000
# Roles by what the columns of a series are called.
_BY_NAME = (
    (Role.GRID, re.compile(r"grid|mains|feed|main|netz|utility", re.IGNORECASE)),
    (Role.BATTERY, re.compile(r"bat|storage", re.IGNORECASE)),
    (Role.HYBRID, re.compile(r"hyb|inv", re.IGNORECASE)),
    (Role.GENERATOR, re.compile(r"gen|pv|solar|wind|chp|hydro|water|turbine", re.IGNORECASE)),
    (Role.LOAD, re.compile(r"load|house|heat|pump|consum", re.IGNORECASE)),
)
_SIGNS = {
    "gives": Positive.INTO_SITE,
    "draws": Positive.OUT_OF_SITE,
    "unknown": Positive.UNKNOWN,
}


@dataclass(frozen=True, slots=True)
class Named:
    """A meter as it was named in the call: an address or a name, and a rating."""

    name: str
    rated_w: float | None


@dataclass(frozen=True, slots=True)
class Site:
    """All meters as they were named in the call.

    Attributes:
        grid, generators, hybrid, battery, loads: The meters by role.
        positive: What a positive power of a generator's meter means, None for the usual.
    """

    grid: Named | None
    generators: tuple[Named, ...]
    hybrids: tuple[Named, ...]
    batteries: tuple[Named, ...]
    loads: tuple[Named, ...]
    positive: Positive | None

    def by_role(self) -> list[tuple[Role, Named]]:
        """Every meter with its role, the feed-in meter first."""
        found = [] if self.grid is None else [(Role.GRID, self.grid)]
        for role, meters in (
            (Role.GENERATOR, self.generators),
            (Role.HYBRID, self.hybrids),
            (Role.BATTERY, self.batteries),
            (Role.LOAD, self.loads),
        ):
            found += [(role, meter) for meter in meters]
        return found

    def known(self, role: Role, rated_w: float | None, usual: bool) -> MeterRole:
        """What is known of a meter.

        Args:
            role: Its role.
            rated_w: Rating of what it measures [W].
            usual: Take the usual sign of a generator's meter where the call does not say it.
        """
        plain = MeterRole.usual(role, rated_w)
        if role is Role.GENERATOR:
            if self.positive is not None:
                return MeterRole(role, self.positive, rated_w)
            return plain if usual else MeterRole(role, Positive.UNKNOWN, rated_w)
        if role in (Role.GRID, Role.LOAD) and not usual:
            return MeterRole(role, Positive.UNKNOWN, rated_w)
        return plain


class RecordedOperator:
    """Was there when the recording was made: everything was done as it was asked."""

    def ask(self, request: HandRequest, now_ns: int) -> None:
        """Nothing is left to do."""

    def answer(self) -> bool | None:
        """Done."""
        return True


def _named(text: str) -> Named:
    """Parse "2" or "2:5500" (and names instead of addresses)."""
    name, colon, rating = text.rpartition(":")
    if not colon:
        return Named(text, None)
    try:
        rated_w = float(rating)
    except ValueError:
        rated_w = 0.0
    if not name or not 0 < rated_w < 1e8:
        raise InputError(
            f"'{text}' is not understood.", "Write the meter and its rating in W as 2:5500."
        )
    return Named(name, rated_w)


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
    type=click.Choice(list(_SIGNS)),
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
            None if grid is None else _named(grid),
            tuple(map(_named, generators)),
            tuple(map(_named, hybrids)),
            tuple(map(_named, batteries)),
            tuple(map(_named, loads)),
            None if generation is None else _SIGNS[generation],
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
    series = parse_site_series(_text(file), str(file))
    roles = _roles(series, site, str(file))
    diagnosis = diagnose_balance(series, roles)
    findings = list(balance_findings(diagnosis))
    result = balance_result(diagnosis, {})
    if call.as_json:
        output.document(call.document(result, findings))
    else:
        show_balance(result)
        words.findings(findings)
    fault = any(f.severity is Severity.FAULT for f in findings)
    return diagnostics.ExitStatus.FAULTS if fault else diagnostics.ExitStatus.CLEAN


def _roles(series: Mapping[str, Series], site: Site, file: str) -> dict[str, MeterRole]:
    """Roles of the meters of a series, as given and else by their names."""
    roles: dict[str, MeterRole] = {}
    for role, meter in site.by_role():
        if meter.name not in series:
            raise InputError(
                f"{file} has no meter {meter.name!r}: it has {', '.join(map(repr, series))}.",
                "Name the meters as the columns are prefixed.",
            )
        roles[meter.name] = site.known(role, meter.rated_w, usual=True)
    for name in series:
        if name not in roles:
            guessed = _role_by_name(name, has_grid=_has_grid(roles))
            if guessed is not None:
                roles[name] = site.known(guessed, None, usual=True)
    if not _has_grid(roles) or len(roles) < 2:
        raise InputError(
            f"{file}: no feed-in meter and another meter among {', '.join(map(repr, series))}.",
            "Give --grid NAME and --generator NAME.",
        )
    return roles


def _has_grid(roles: dict[str, MeterRole]) -> bool:
    return any(known.role is Role.GRID for known in roles.values())


def _role_by_name(name: str, *, has_grid: bool) -> Role | None:
    for role, pattern in _BY_NAME:
        if pattern.search(name) and not (role is Role.GRID and has_grid):
            return role
    return None


def _text(file: Path) -> bytes:
    try:
        if file.stat().st_size > _LARGEST_SERIES:
            raise InputError(f"{file} is larger than 100 MB.", "Cut out the part that matters.")
        return file.read_bytes()
    except OSError as error:
        raise InputError(
            f"{file} cannot be read: {error.strerror}.", "Check the name and the permissions."
        ) from error
