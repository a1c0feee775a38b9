"""`busprobe report`: the visit on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.call import Call, guarded
from busprobe.cli.documents_handover import ReportFilePart, ReportResult
from busprobe.model.errors import InputError

if TYPE_CHECKING:
    from busprobe.report.content import Report
    from busprobe.report.render import Renderer

_OUT = click.Path(path_type=Path, dir_okay=False)
_IN = click.Path(path_type=Path)
# What --json stands for when no file follows it: the document on standard output.
_DOCUMENT = "-"


def _print_template(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value:
        from busprobe.report.details import TEMPLATE

        output.raw(TEMPLATE)
        ctx.exit(0)


def _print_schema(ctx: click.Context, param: click.Parameter, value: bool) -> None:
    if value:
        import json

        from busprobe.report.content import report_schema

        output.line(json.dumps(report_schema(), indent=2))
        ctx.exit(0)


@click.command("report")
@click.argument("recordings", metavar="[RECORDING]...", type=_IN, nargs=-1)
@click.option("--as-left", type=_IN, multiple=True, help="A recording of the site as left.")
@click.option("--verification", type=_IN, help="State file of busprobe verify.")
@click.option("--details", type=_IN, help="Customer, people, instruments (YAML).")
@click.option("--html", type=_OUT, help="Write one self-contained page.")
@click.option("--pdf", type=_OUT, help="Write a PDF.")
@click.option(
    "--json",
    "json_",
    metavar="[FILE]",
    is_flag=False,
    flag_value=_DOCUMENT,
    help="Write report.json; without FILE print one JSON document on standard output.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that exist.")
@click.option(
    "--details-template",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_template,
    help="Print a file for --details to fill in.",
)
@click.option(
    "--schema",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=_print_schema,
    help="Print the JSON Schema of report.json.",
)
@click.pass_context
def command(
    ctx: click.Context,
    recordings: tuple[Path, ...],
    as_left: tuple[Path, ...],
    verification: Path | None,
    details: Path | None,
    html: Path | None,
    pdf: Path | None,
    json_: str | None,
    overwrite: bool,
) -> None:
    """Write a visit down: recordings, a verification and what only people know.

    Several recordings of one visit make one report. Exit status 1 says that the report ends with
    FAIL.
    """
    call = Call.begin("report", json_ == _DOCUMENT)

    def work() -> int:
        report = _composed(recordings, as_left, verification, details)
        files = _written(report, _wanted(html, pdf, json_), overwrite=overwrite)
        _show(call, report, files)
        failed = report.conclusion.result == "FAIL"
        return diagnostics.ExitStatus.FAULTS if failed else diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, work))


def refuse_existing(paths: list[Path]) -> None:
    """Make sure that no file is replaced unasked.

    Raises:
        InputError: One of them exists.
    """
    for path in paths:
        if path.exists():
            raise InputError(
                f"The file {path} exists already.", "Choose another name, or add --overwrite."
            )


def written_report(
    recordings: tuple[Path, ...],
    details: Path | None,
    html: Path | None,
    pdf: Path | None,
    json_: Path | None,
    *,
    overwrite: bool,
) -> list[ReportFilePart]:
    """Write a report of recordings to the files that are given.

    Raises:
        InputError: A file cannot be read or written, or exists already.
    """
    report = _composed(recordings, (), None, details)
    wanted = _wanted(html, pdf, None if json_ is None else str(json_))
    return _written(report, wanted, overwrite=overwrite)


def _composed(
    recordings: tuple[Path, ...],
    as_left: tuple[Path, ...],
    verification: Path | None,
    details: Path | None,
) -> Report:
    import datetime

    from busprobe import __version__
    from busprobe.report.compose import compose
    from busprobe.report.material import gather

    material = gather(recordings, as_left, verification, details)
    for photo in material.photos:
        if photo.note:
            diagnostics.say(
                f"Photo {photo.file}: {photo.note}. The extra makes it small and leaves out the "
                "position: pip install 'busprobe[photos]'."
            )
    return compose(material, now=datetime.datetime.now().astimezone(), version=__version__)


def _wanted(
    html: Path | None, pdf: Path | None, json_: str | None
) -> list[tuple[str, Path, Renderer]]:
    from busprobe.report.pdf import pdf_renderer
    from busprobe.report.render import HtmlRenderer, JsonRenderer

    wanted: list[tuple[str, Path, Renderer]] = []
    if html is not None:
        wanted.append(("html", html, HtmlRenderer()))
    if json_ not in (None, _DOCUMENT):
        wanted.append(("json", Path(str(json_)), JsonRenderer()))
    if pdf is not None:
        wanted.append(("pdf", pdf, pdf_renderer()))
    return wanted


def _written(
    report: Report, wanted: list[tuple[str, Path, Renderer]], *, overwrite: bool
) -> list[ReportFilePart]:
    import hashlib

    if not overwrite:
        refuse_existing([path for _, path, _ in wanted])
    files = []
    for kind, path, renderer in wanted:
        made = renderer.render(report)
        try:
            path.write_bytes(made)
        except OSError as error:
            raise InputError(
                f"The report cannot be written to {path}: {error.strerror}.",
                "Choose a folder that you may write to and that has room.",
            ) from error
        files.append(
            ReportFilePart.model_validate(
                {"kind": kind, "file": str(path), "sha256": hashlib.sha256(made).hexdigest()}
            )
        )
    return files


def _show(call: Call, report: Report, files: list[ReportFilePart]) -> None:
    end = report.conclusion
    if call.as_json:
        output.document(
            call.document(
                ReportResult(
                    id=report.head.id,
                    conclusion=end.result,
                    state=end.state,
                    passed=end.passed,
                    failed=end.failed,
                    not_tested=end.not_tested,
                    not_applicable=end.not_applicable,
                    open_defects=sum(d.state == "open" for d in report.defects),
                    files=files,
                )
            )
        )
        return
    output.line(f"Report {report.head.id}: {end.result}")
    output.line(f"    {end.text}")
    for defect in report.defects:
        state = "" if defect.state == "open" else f" ({defect.state})"
        output.line(f"    {defect.severity}: {defect.summary}{state}")
    for file in files:
        output.line(f"Written: {file.file}")
    if not files:
        diagnostics.say("Nothing was written: give --html, --pdf or --json FILE.")
