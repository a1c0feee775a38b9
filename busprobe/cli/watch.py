"""`busprobe watch`: a meter, again and again."""

from __future__ import annotations

import click

from busprobe.cli import output
from busprobe.cli.call import Call
from busprobe.cli.convert import read_result
from busprobe.cli.documents import ReadResult
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.model.reading import PHASES
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session.job import Job

_COLUMNS = (("V", "V", 7), ("I", "A", 7), ("P", "W", 8), ("Q", "var", 8))


@click.command("watch")
@link_argument
@click.argument("address", type=ADDRESS)
@line_options
@click.option(
    "--every",
    type=click.FloatRange(0.1, 3600),
    default=1.0,
    show_default=True,
    help="Period [s].",
)
@click.option(
    "--times", type=click.IntRange(1), help="Stop after so many readings. Default: at Ctrl-C."
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    address: int,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    every: float,
    times: int | None,
    as_json: bool,
) -> None:
    """Read a meter again and again; per phase V, A, W and var.

    With --json the document holds the last reading. A simulated bus runs in virtual time here, as
    fast as it can; give --times.
    """
    settings = settings_from(baud, parity, stop_bits)
    if times is None and (as_json or link.startswith("sim:")):
        times = 1 if as_json else 30

    async def work(job: Job) -> ReadResult:
        last: list[DeviceReadings] = []

        def on_readings(readings: DeviceReadings) -> None:
            last[:] = [readings]
            if not as_json:
                if len(rows) % 20 == 0:
                    output.line(_head())
                rows.append(None)
                output.line(_row(job, readings))

        rows: list[None] = []
        await job.find_device(address, settings)
        await job.watch((address,), every, times, on_readings)
        return read_result(last[0])

    run_job(
        ctx,
        Call.begin("watch", as_json),
        link,
        settings,
        work,
        lambda result, traffic: output.line(),
    )


def _head() -> str:
    cells = [f"{'t/s':>8}"]
    for phase in PHASES:
        cells += [f"{f'{name} {phase}/{unit}':>{width + 3}}" for name, unit, width in _COLUMNS]
    return " ".join(cells)


def _row(job: Job, readings: DeviceReadings) -> str:
    values = readings.snapshot.quantities
    cells = [f"{job.bus_time_s:8.1f}"]
    for phase in PHASES:
        for name, _, width in _COLUMNS:
            value = values.get(f"{name}_{phase}")
            cells.append(f"{'-' if value is None else f'{value:.1f}':>{width + 3}}")
    return " ".join(cells)
