"""`busprobe bench`: one meter on the table, before the visit."""

from __future__ import annotations

import datetime
import re

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic
from busprobe.cli.documents_handover import BenchResult, CheckPart
from busprobe.cli.options import ADDRESS, json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.diagnosis.bench import CLASSES, Reference, label_text
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.errors import InputError
from busprobe.procedures.bench_meter import BenchPlan
from busprobe.session.job import Job


@click.command("bench")
@link_argument
@click.argument("address", type=ADDRESS)
@line_options
@click.option(
    "--requests",
    type=click.IntRange(10, 100_000),
    default=100,
    show_default=True,
    help="Requests for the response statistics.",
)
@click.option(
    "--watch",
    "watch_s",
    type=click.FloatRange(0, 86_400),
    default=60.0,
    show_default=True,
    help="Hold the counter against the power for so long [s].",
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    metavar="QUANTITY=VALUE",
    help="What another instrument shows, as V_L1=230.4 or P=1020; may be repeated.",
)
@click.option(
    "--class",
    "accuracy_class",
    type=click.Choice(list(CLASSES)),
    default="1",
    show_default=True,
    help="Accuracy class of the meter.",
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
    requests: int,
    watch_s: float,
    references: tuple[str, ...],
    accuracy_class: str,
    as_json: bool,
) -> None:
    """Test one meter on the table: identity, register map, answers, limits, counter.

    Only reads, a few of them illegal on purpose to see how it refuses. Other settings are not tried
    here: change them with readdress and test again.
    """
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> BenchResult:
        plan = BenchPlan(
            requests, watch_s, tuple(_reference(r) for r in references), accuracy_class
        )
        await job.find_device(address, settings)
        checks = await job.bench(address, plan)
        device = job.devices[address]
        passed = not any(c.outcome is CheckOutcome.FAIL for c in checks)
        day = datetime.datetime.now().astimezone().date().isoformat()
        at = str(job.bus.settings) if job.bus.settings is not None else "Modbus TCP"
        return BenchResult(
            address=address,
            passed=passed,
            checks=[check_part(c) for c in checks],
            label=label_text(device, at, day, passed),
        )

    def show(result: BenchResult, traffic: Traffic) -> None:
        output.line()
        show_checks(result.checks)
        output.line()
        output.line("Label")
        for line in result.label.splitlines():
            output.line(f"    {line}")

    run_job(
        ctx,
        Call.begin("bench", as_json),
        link,
        settings,
        work,
        show,
        failed=lambda result: not result.passed,
    )


def _reference(text: str) -> Reference:
    match = re.fullmatch(r"\s*([A-Za-z]+(?:_[A-Za-z0-9]+)?)\s*=\s*([-+0-9.eE]+)\s*", text)
    try:
        if match is None:
            raise ValueError
        return Reference(match[1], float(match[2]))
    except ValueError:
        raise InputError(
            f"'{text}' is not a quantity and a value.", "Write --reference V_L1=230.4."
        ) from None


def check_part(check: Check) -> CheckPart:
    """One check."""
    return CheckPart.model_validate(
        {
            "name": check.name,
            "subject": check.subject,
            "title": check.title,
            "planned": check.planned,
            "found": check.found,
            "outcome": check.outcome.value,
            "uncertainty": check.uncertainty,
            "evidence": [{"exchange": e.exchange, "text": e.text} for e in check.evidence],
            "finding_codes": list(check.finding_codes),
        }
    )


_SIGNS = {"PASS": "✔", "FAIL": "✘", "NOT TESTED": "-", "NOT APPLICABLE": "·"}


def show_checks(checks: list[CheckPart]) -> None:
    """Print checks, one after the other."""
    for check in checks:
        output.line(f"{_SIGNS[check.outcome]} {check.outcome:<15}{check.title}")
        if check.planned:
            words.paragraph("expected", check.planned)
        words.paragraph("found", check.found)
        if check.uncertainty:
            words.paragraph("", check.uncertainty)
        for evidence in check.evidence[:4]:
            words.paragraph("evidence", evidence.text)
