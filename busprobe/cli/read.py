"""`busprobe read`: every point of a device, once."""

from __future__ import annotations

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic
from busprobe.cli.convert import read_result
from busprobe.cli.documents import ReadResult
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.session.job import Job


@click.command("read")
@link_argument
@click.argument("address", type=ADDRESS)
@line_options
@click.option("--all", "everything", is_flag=True, help="Show points that are not implemented too.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    address: int,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    everything: bool,
    as_json: bool,
) -> None:
    """Read a device once: every point of its register map, with unit and state."""
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> ReadResult:
        await job.find_device(address, settings)
        return read_result(await job.read(address))

    def show(result: ReadResult, traffic: Traffic) -> None:
        show_readings(result, everything=everything)

    run_job(ctx, Call.begin("read", as_json), link, settings, work, show)


def show_readings(result: ReadResult, *, everything: bool) -> None:
    """Print the models, then the uniform quantities."""
    identity = result.identity
    name = " ".join(p for p in (identity.maker, identity.model) if p) or "unidentified device"
    output.line()
    output.line(f"Address {result.address}: {name} {identity.serial}".rstrip())
    for model in result.models:
        output.line()
        number = f"model {model.id}, " if model.id is not None else ""
        output.line(f"{number}{model.name}, at register {model.address}")
        rows = [
            (
                point,
                "-" if value.value is None else _number(value.value),
                value.unit,
                "" if value.state == "ok" else value.state,
            )
            for point, value in model.points.items()
            if everything or value.state != "not-implemented"
        ]
        words.table(("point", "value", "unit", "state"), rows, right=(1,))
    if result.quantities:
        output.line()
        output.line("In uniform terms (V, A, W, var, VA, Hz, Wh)")
        words.table(
            ("quantity", "value"),
            [(n, _number(v)) for n, v in result.quantities.items()],
            right=(1,),
        )
        output.line(result.sign.text)


def _number(value: float | int | str) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)
