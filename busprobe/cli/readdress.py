"""`busprobe readdress`: another address, or other line settings; the only command that writes."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.call import Call, Traffic
from busprobe.cli.convert import settings_part
from busprobe.cli.documents import ReaddressResult, WrittenPart
from busprobe.cli.hands import operator_of
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.change_address import ChangePlan, ChangeResult, PlannedWrite, Written
from busprobe.session.job import Job


@click.command("readdress")
@link_argument
@click.argument("address", type=ADDRESS)
@click.argument("new_address", type=ADDRESS, required=False)
@line_options
@click.option("--new-baud", type=click.IntRange(50, 4_000_000), help="Rate afterwards [bit/s].")
@click.option(
    "--new-parity",
    type=click.Choice(["N", "E", "O"], case_sensitive=False),
    help="Parity afterwards.",
)
@click.option("--new-stop-bits", type=click.IntRange(1, 2), help="Stop bits afterwards.")
@click.option("--plan-only", is_flag=True, help="Show what would be written, and write nothing.")
@click.option("--yes", is_flag=True, help="Write without asking.")
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
    address: int,
    new_address: int | None,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    new_baud: int | None,
    new_parity: str | None,
    new_stop_bits: int | None,
    plan_only: bool,
    yes: bool,
    profiles: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Give the device at ADDRESS the NEW_ADDRESS, or other line settings.

    The device profile says what has to be written; it is shown first and confirmed by you. Refused
    while another master talks, while more than one device answers at ADDRESS, or while somebody
    answers at NEW_ADDRESS. Two factory-fresh meters: disconnect the bus wires of one, change the
    other, reconnect.
    """
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> ReaddressResult:
        if profiles:
            job.use_profile_files(profiles)
        await job.find_device(address, settings)
        line = job.bus.line
        after = LineSettings(
            new_baud or line.baud,
            Parity((new_parity or line.parity.value).upper()),
            new_stop_bits or line.stop_bits,
        )
        plan = await job.plan_change(address, new_address, after)
        _show_plan(plan)
        if plan_only:
            return _result(plan, None, "Nothing was written.")
        if not yes and not _confirmed():
            return _result(plan, None, "Not confirmed: nothing was written.")
        by = "the option --yes" if yes else "an answer at the console"
        return _result(plan, await job.change(plan, by, operator_of(job)), "", by)

    def show(result: ReaddressResult, traffic: Traffic) -> None:
        output.line()
        output.line(f"{result.state.upper()}: {result.text}")
        for written in result.writes:
            if written.outcome is not None:
                output.line(
                    f"    register {written.register_} := {written.value}: {written.outcome}"
                )

    run_job(
        ctx,
        Call.begin("readdress", as_json),
        link,
        settings,
        work,
        show,
        failed=lambda r: r.state not in ("planned", "changed", "waits-for-power"),
    )


def _show_plan(plan: ChangePlan) -> None:
    diagnostics.progress_done()
    device = plan.device
    diagnostics.say(
        f"To be WRITTEN to address {device.address}, {device.identity}, serial number "
        f"{device.identity.serial or 'unknown'} (profile {plan.profile}):"
    )
    for line in plan.lines():
        diagnostics.say(f"    {line}")


def _confirmed() -> bool:
    if not sys.stdin.isatty():
        raise InputError(
            "Nobody is there to confirm the change.",
            "Add --yes if this is what you want; nothing was written.",
        )
    diagnostics.say("Write this? Type yes and press Enter; anything else leaves it.")
    return sys.stdin.readline().strip().lower() == "yes"


def _result(
    plan: ChangePlan, result: ChangeResult | None, text: str, confirmed_by: str = ""
) -> ReaddressResult:
    made = () if result is None else result.written
    done = [m.write for m in made]
    writes = [_part(m.write, m) for m in made]
    writes += [_part(w, None) for w in plan.writes if w not in done]
    return ReaddressResult.model_validate(
        {
            "address": plan.device.address,
            "new_address": plan.new_address,
            "state": "planned" if result is None else result.state.value,
            "answers_at": plan.device.address if result is None else result.address,
            "settings": settings_part(plan.settings),
            "new_settings": settings_part(plan.new_settings),
            "answers_settings": settings_part(plan.settings if result is None else result.settings),
            "serial": plan.device.identity.serial,
            "confirmed_by": confirmed_by,
            "profile": plan.profile,
            "text": text if result is None else result.text,
            "writes": writes,
        }
    )


def _part(write: PlannedWrite, made: Written | None) -> WrittenPart:
    return WrittenPart.model_validate(
        {
            "register": write.register,
            "value": write.value,
            "purpose": write.purpose,
            "before": write.before,
            "sent_to": None if made is None else made.address,
            "exchange": None if made is None else made.exchange,
            "outcome": None if made is None else made.outcome,
        }
    )
