"""`busprobe bench`: one meter on the table, before the visit."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.bench_parts import bench_result, show_sheet
from busprobe.cli.call import Call, Traffic
from busprobe.cli.documents_bench import BenchResult
from busprobe.cli.options import (
    ADDRESS,
    RECORD_KEY,
    json_option,
    line_options,
    link_argument,
    settings_from,
)
from busprobe.cli.report import refuse_existing, written_report
from busprobe.cli.running import run_job
from busprobe.diagnosis.bench import CLASSES, Rating, parse_references
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.bench_meter import BenchPlan
from busprobe.session.bench import bench, today
from busprobe.session.job import Job
from busprobe.session.values import TourPlan

_OUT = click.Path(path_type=Path, dir_okay=False)


@click.command("bench")
@link_argument
@click.argument("address", type=ADDRESS)
@line_options
@click.option(
    "--requests",
    type=click.IntRange(10, 100_000),
    default=100,
    show_default=True,
    help="Requests for the response statistics, at each setting.",
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
    help="Accuracy class on the meter: IEC 62053-21 and -22, EN 50470-3 (A, B, C).",
)
@click.option(
    "--rated-current",
    type=click.FloatRange(0, min_open=True),
    metavar="A",
    help="Rated current on the meter [A]: Ib, or In of its CTs; the class limits depend on it.",
)
@click.option("--with-cts", is_flag=True, help="The meter is connected through CTs.")
@click.option(
    "--nominal",
    "nominal_v",
    type=click.FloatRange(10, 1000),
    default=230.0,
    show_default=True,
    help="Nominal voltage on its terminals, line to neutral [V].",
)
@click.option(
    "--all-settings",
    is_flag=True,
    help="Measure at every line setting that its profile offers. That WRITES: every write is shown "
    "first and confirmed by you, and the meter is brought back.",
)
@click.option(
    "--at",
    "only",
    multiple=True,
    metavar="SETTING",
    help="With --all-settings: only this one, as 19200-8E1; may be repeated.",
)
@click.option("--yes", is_flag=True, help="Confirm the writes of --all-settings without asking.")
@click.option(
    "--profile",
    "profiles",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A device profile of your own; may be repeated.",
)
@click.option("--html", type=_OUT, help="Write the report as one page.")
@click.option("--pdf", type=_OUT, help="Write the report as PDF.")
@click.option("--report-json", type=_OUT, help="Write the report as data.")
@click.option("--details", type=click.Path(path_type=Path), help="People, instruments (YAML).")
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
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
    rated_current: float | None,
    with_cts: bool,
    nominal_v: float,
    all_settings: bool,
    only: tuple[str, ...],
    yes: bool,
    profiles: tuple[Path, ...],
    html: Path | None,
    pdf: Path | None,
    report_json: Path | None,
    details: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Test one meter on the table: identity, register map, answers, limits, counter, accuracy.

    Only reads, a few of them illegal on purpose to see how it refuses. With --all-settings it also
    goes through every line setting that the meter offers, once you have confirmed what is written,
    and back to its own. Ends with the text for the label and, with --html, --pdf or --report-json,
    with a report; what crossed the wire is kept beside it as a recording.
    """
    settings = settings_from(baud, parity, stop_bits)
    wanted = [path for path in (html, pdf, report_json) if path is not None]

    async def work(job: Job) -> BenchResult:
        if not overwrite:
            refuse_existing(wanted)
        plan = BenchPlan(
            requests=requests,
            watch_s=watch_s,
            references=tuple(r for text in references for r in parse_references(text)),
            rating=Rating(accuracy_class, rated_current, with_cts),
            nominal_v=nominal_v,
            day=today(),
        )
        if profiles:
            job.use_profile_files(profiles)
        await job.find_device(address, settings)

        def confirm(tour: TourPlan) -> str:
            return _confirmed(tour, address, yes=yes)

        sheet = await bench(
            job, address, plan, confirm if all_settings else None, [_setting(t) for t in only]
        )
        return bench_result(sheet, [])

    def finish(result: BenchResult) -> BenchResult:
        recording: Path | None = ctx.meta.get(RECORD_KEY)
        if not wanted or recording is None:
            return result
        files = written_report((recording,), details, html, pdf, report_json, overwrite=overwrite)
        return result.model_copy(update={"files": files})

    def show(result: BenchResult, traffic: Traffic) -> None:
        output.line()
        show_sheet(result)
        for file in result.files:
            output.line(f"Written: {file.file}")
        if not result.files:
            diagnostics.say("For a report on paper add --html FILE, --pdf FILE.")

    call = Call.begin("bench", as_json)
    if wanted and ctx.meta.get(RECORD_KEY) is None:
        ctx.meta[RECORD_KEY] = _recording_beside(wanted[0], overwrite=overwrite)
    run_job(
        ctx,
        call,
        link,
        settings,
        work,
        show,
        failed=lambda result: not result.passed,
        finish=finish,
    )


def _setting(text: str) -> LineSettings:
    """Read "19200-8E1"."""
    match = re.fullmatch(r"(\d+)[- ]8([NEO])([12])", text.strip().upper())
    if match is None:
        raise InputError(f"'{text}' is no line setting.", "Write --at 19200-8E1.")
    return LineSettings(int(match[1]), Parity(match[2]), int(match[3]))


def _recording_beside(report: Path, *, overwrite: bool) -> Path:
    """The evidence of a report: a recording beside it."""
    path = report.with_suffix(".busprobe")
    if overwrite and path.exists():
        path.unlink()
    return path


def _confirmed(tour: TourPlan, address: int, *, yes: bool) -> str:
    """Show every write of a tour through the settings; who confirmed it, or ""."""
    diagnostics.progress_done()
    diagnostics.say(
        f"To be WRITTEN to address {address} in {len(tour.legs)} changes, {tour.writes} registers:"
    )
    for line in tour.lines():
        diagnostics.say(f"    {line}")
    diagnostics.say(f"    at the end, whatever happens, it is brought back to {tour.home}")
    if yes:
        return "the option --yes"
    if not sys.stdin.isatty():
        raise InputError(
            "Nobody is there to confirm the changes of line settings.",
            "Add --yes if this is what you want, or leave --all-settings out; nothing was written.",
        )
    diagnostics.say("Write this? Type yes and press Enter; anything else stays at one setting.")
    return "an answer at the console" if sys.stdin.readline().strip().lower() == "yes" else ""
