"""`busprobe wiring`: is every CT on its own phase, and the right way round?"""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, guarded
from busprobe.cli.convert import wiring_result
from busprobe.cli.documents import WiringResult
from busprobe.cli.hands import ConsoleOperator, SimulatedOperator, console_is_there
from busprobe.cli.options import ADDRESS, json_option, line_options, settings_from
from busprobe.cli.running import run_job
from busprobe.diagnosis.catalogue import CAUTION_LOAD
from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    wiring_findings,
)
from busprobe.model.errors import InputError
from busprobe.model.finding import Severity
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.operator import Operator
from busprobe.session.job import Job
from busprobe.session.series import wiring_of_series


@click.command("wiring")
@click.argument("link", metavar="[LINK]", required=False)
@click.argument("address", type=ADDRESS, required=False)
@line_options
@click.option("--load", type=click.FloatRange(1, 1e6), help="Power of the known load [W].")
@click.option(
    "--load-tolerance",
    type=click.FloatRange(0.1, 100),
    default=10.0,
    show_default=True,
    help="How well it is known [%].",
)
@click.option(
    "--phase",
    type=click.Choice(["L1", "L2", "L3", "each", "L1L2L3", "unknown"]),
    default="each",
    show_default=True,
    help="Where it is switched.",
)
@click.option("--series", type=click.Path(path_type=Path), help="A recorded series, no link.")
@click.option(
    "--system",
    type=click.Choice([s.value for s in MeterSystem]),
    help="How the meter is connected, where its registers do not say.",
)
@click.option(
    "--duration",
    type=click.FloatRange(10, 86_400),
    default=180.0,
    show_default=True,
    help="How long to watch when nobody can be asked [s].",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str | None,
    address: int | None,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    load: float | None,
    load_tolerance: float,
    phase: str,
    series: Path | None,
    system: str | None,
    duration: float,
    as_json: bool,
) -> None:
    """Prove each CT's phase and direction while a known load is switched.

    The tool asks for each switching and finds the steps itself. With --series it judges a
    recording: CSV or JSON Lines with t, V_L1..3, I_L1..3, P_L1..3, Q_L1..3 and an optional mark
    column.
    """
    call = Call.begin("wiring", as_json)
    known = None if load is None else KnownLoad(load, load_tolerance / 100, phase)
    chosen = MeterSystem(system) if system else None
    if series is not None:
        ctx.exit(guarded(call, lambda: _offline(call, series, link, known, chosen)))
    if link is None or address is None:
        raise click.UsageError("Give a LINK and the ADDRESS of the meter, or --series FILE.")
    meter = address
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> WiringResult:
        await job.find_device(meter, settings)
        operator: Operator | None = None
        if known is not None:
            if job.opened.past is not None:
                operator = None  # whoever was there when the recording was made
            elif job.hands is not None:
                operator = SimulatedOperator(job.hands)
            elif console_is_there():
                operator = ConsoleOperator()
            diagnostics.say(CAUTION_LOAD)
        plan = WiringPlan(known, passive_s=duration)
        diagnosis = await job.check_wiring(meter, known, operator, plan, chosen)
        return wiring_result(meter, diagnosis)

    run_job(ctx, call, link, settings, work, lambda result, traffic: show_wiring(result))


def _offline(
    call: Call, file: Path, link: str | None, load: KnownLoad | None, system: MeterSystem | None
) -> int:
    if link is not None:
        raise InputError("Both a link and a series were given.", "Give one of them.")
    diagnosis = wiring_of_series(file, load, system)
    findings = list(wiring_findings(None, None, diagnosis))
    result = wiring_result(None, diagnosis)
    if call.as_json:
        output.document(call.document(result, findings))
    else:
        show_wiring(result)
        words.findings(findings)
    fault = any(f.severity is Severity.FAULT for f in findings)
    return diagnostics.ExitStatus.FAULTS if fault else diagnostics.ExitStatus.CLEAN


def show_wiring(result: WiringResult) -> None:
    """Print the verdict, the steps and the explanations."""
    output.line()
    where = f" at address {result.address}" if result.address is not None else ""
    output.line(
        f"Wiring{where}: {result.verdict.upper()}"
        f"{words.with_probability(result.verdict, result.probability)}"
    )
    if result.steps:
        output.line()
        words.table(
            ("t/s", "load on", "dP L1/W", "dP L2/W", "dP L3/W"),
            [
                (f"{s.t:.1f}", s.conductor, *(f"{v:+.0f}" for v in _three(s.dP)))
                for s in result.steps
            ],
            right=(0, 2, 3, 4),
        )
    for explanation in result.explanations[:6]:
        output.line()
        output.line(f"Explanation, probability {words.probability(explanation.probability)}")
        for ct in explanation.cts:
            ratio = "" if ct.ratio is None else f", ratio {ct.ratio:.2f}"
            output.line(f"    CT {ct.input}: on {ct.conductor}, {ct.direction}{ratio}")
        for lead in explanation.voltages:
            if lead.conductor != lead.input:
                output.line(f"    voltage lead {lead.input}: on {lead.conductor}")
        if explanation.remedy:
            words.paragraph("remedy", explanation.remedy)
    if len(result.explanations) > 6:
        output.line(f"    and {len(result.explanations) - 6} more that fit as well")
    for text in result.not_identifiable:
        words.paragraph("open", text)
    if result.next_experiment:
        words.paragraph("next", result.next_experiment)


def _three(values: list[float]) -> tuple[float, ...]:
    return (*values, 0.0, 0.0, 0.0)[:3]
