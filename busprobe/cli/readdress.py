"""`busprobe readdress`: another address, or other line settings; the only command that writes."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.call import Call, Traffic
from busprobe.cli.change_words import change_result, separation_result
from busprobe.cli.documents_change import ReaddressResult, SeparationPart
from busprobe.cli.hands import operator_of
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.change_address import ChangePlan
from busprobe.session.job import Job
from busprobe.session.separating import separate

_BY_OPTION = "the option --yes"
_BY_CONSOLE = "an answer at the console"


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
@click.option(
    "--separate",
    "separate_them",
    is_flag=True,
    help="Two meters share ADDRESS: guides you to give one of them another address.",
)
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
    separate_them: bool,
    plan_only: bool,
    yes: bool,
    profiles: tuple[Path, ...],
    as_json: bool,
) -> None:
    """Give the device at ADDRESS the NEW_ADDRESS, or other line settings.

    The device profile says what has to be written; it is shown first and confirmed by you. Refused
    while another master talks, while more than one device answers at ADDRESS, or while somebody
    answers at NEW_ADDRESS.

    Two factory-fresh meters at ADDRESS: --separate tells which two they are, asks you to disconnect
    one, sees that one is left, changes it, asks you to connect the other, and sees both. It can be
    stopped at every point. Without NEW_ADDRESS it takes the lowest free one.
    """
    settings = settings_from(baud, parity, stop_bits)
    if separate_them and (plan_only or new_baud or new_parity or new_stop_bits):
        raise click.UsageError("--separate changes an address only, and always after your answer.")

    async def work(job: Job) -> ReaddressResult:
        if profiles:
            job.use_profile_files(profiles)
        await job.find_device(address, settings)
        if separate_them:
            return await _separate(job, address, new_address, yes)
        line = job.bus.line
        after = LineSettings(
            new_baud or line.baud,
            Parity((new_parity or line.parity.value).upper()),
            new_stop_bits or line.stop_bits,
        )
        plan = await job.plan_change(address, new_address, after)
        _show_plan(plan)
        if plan_only:
            return change_result(plan, None, "Nothing was written.")
        if not yes and not _confirmed():
            return change_result(plan, None, "Not confirmed: nothing was written.")
        by = _BY_OPTION if yes else _BY_CONSOLE
        return change_result(plan, await job.change(plan, by, operator_of(job)), "", by)

    def show(result: ReaddressResult, traffic: Traffic) -> None:
        output.line()
        if result.separation is None or result.writes:
            output.line(f"{result.state.upper()}: {result.text}")
        for written in result.writes:
            if written.outcome is not None:
                output.line(
                    f"    register {written.register_} := {written.value}: {written.outcome}"
                )
        if result.separation is not None:
            _show_separation(result.separation)

    run_job(
        ctx,
        Call.begin("readdress", as_json),
        link,
        settings,
        work,
        show,
        failed=_failed,
    )


def _failed(result: ReaddressResult) -> bool:
    if result.separation is not None:
        return result.separation.stage != "separated"
    return result.state not in ("planned", "changed", "waits-for-power")


async def _separate(job: Job, address: int, new_address: int | None, yes: bool) -> ReaddressResult:
    operator = operator_of(job)
    if operator is None:
        raise InputError(
            "Nobody is there to disconnect a meter.", "Run it at a console; nothing was written."
        )
    if not yes:
        _somebody_to_confirm()

    async def confirm(plan: ChangePlan) -> str | None:
        _show_plan(plan)
        if yes:
            return _BY_OPTION
        return _BY_CONSOLE if _confirmed() else None

    return separation_result(await separate(job, address, new_address, operator, confirm))


_STAGES = {
    "shared": "NOT SEPARATED",
    "one-left": "STOPPED, ONE IS DISCONNECTED",
    "changed": "NOT FINISHED",
    "separated": "SEPARATED",
}


def _show_separation(part: SeparationPart) -> None:
    output.line()
    output.line(f"{_STAGES[part.stage]}: {part.text}")
    for meter in part.meters if part.stage == "separated" else ():
        output.line()
        output.line("Label" + (" (changed now)" if meter.changed else " (as it was)"))
        for line in meter.label.splitlines():
            output.line(f"    {line}")


def _show_plan(plan: ChangePlan) -> None:
    diagnostics.progress_done()
    device = plan.device
    diagnostics.say(
        f"To be WRITTEN to address {device.address}, {device.identity}, serial number "
        f"{device.identity.serial or 'unknown'} (profile {plan.profile}):"
    )
    for line in plan.lines():
        diagnostics.say(f"    {line}")


def _somebody_to_confirm() -> None:
    if not sys.stdin.isatty():
        raise InputError(
            "Nobody is there to confirm the change.",
            "Add --yes if this is what you want; nothing was written.",
        )


def _confirmed() -> bool:
    _somebody_to_confirm()
    diagnostics.say("Write this? Type yes and press Enter; anything else leaves it.")
    return sys.stdin.readline().strip().lower() == "yes"
