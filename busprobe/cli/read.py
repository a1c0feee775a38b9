"""`busprobe read`: every point of a device, once."""

from __future__ import annotations

import textwrap

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic
from busprobe.cli.convert import read_result
from busprobe.cli.documents import ReadResult
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.model.reading import PHASES
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
        show_quantities(result.quantities)
        output.line()
        output.line(textwrap.fill(result.sign.text, words.width()))


# Rows of the uniform table: name, unit, and whether there is a total.
_ROWS = (
    ("V", "V"),
    ("I", "A"),
    ("P", "W"),
    ("Q", "var"),
    ("S", "VA"),
    ("PF", ""),
    ("E_import", "Wh"),
    ("E_export", "Wh"),
)


def show_quantities(quantities: dict[str, float]) -> None:
    """Print the uniform quantities, phases side by side."""
    rows = []
    for name, unit in _ROWS:
        cells = [quantities.get(f"{name}_{phase}") for phase in PHASES]
        total = quantities.get(name)
        if total is None and all(cell is None for cell in cells):
            continue
        shown = ["-" if cell is None else _number(cell) for cell in (*cells, total)]
        rows.append((name, *shown, unit))
    words.table(("in uniform terms", *PHASES, "total", "unit"), rows, right=(1, 2, 3, 4))
    rest = [
        ("line to line", f"V_{a}{b}", "V") for a, b in (("L1", "L2"), ("L2", "L3"), ("L3", "L1"))
    ]
    rest.append(("frequency", "F", "Hz"))
    for label, name, unit in rest:
        if name in quantities:
            output.line(f"{label} {name}: {_number(quantities[name])} {unit}")


def _number(value: float | int | str) -> str:
    if isinstance(value, float):
        return f"{value:.0f}" if abs(value) >= 1e5 else f"{value:.6g}"
    return str(value)
