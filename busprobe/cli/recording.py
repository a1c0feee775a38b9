"""`busprobe recording`: what a recording holds, and its exports."""

from __future__ import annotations

from pathlib import Path

import click

from busprobe.cli import diagnostics, output
from busprobe.cli.call import Call, guarded
from busprobe.cli.documents_handover import RecordedChangePart, RecordingResult
from busprobe.cli.options import json_option

_EXPORT = click.Path(path_type=Path, dir_okay=False)


@click.command("recording")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--pcapng", type=_EXPORT, help="Write the frames for a packet analyser.")
@click.option("--csv", "csv_", type=_EXPORT, help="Write one row per value that was read.")
@click.option("--frames-csv", type=_EXPORT, help="Write one row per frame.")
@click.option("--export-json", type=_EXPORT, help="Write everything as one JSON document.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    file: Path,
    pcapng: Path | None,
    csv_: Path | None,
    frames_csv: Path | None,
    export_json: Path | None,
    as_json: bool,
) -> None:
    """Show what a recording holds, or export it. The recording itself is never changed.

    A recording is made with --record FILE, and replayed as LINK replay:FILE.
    """
    call = Call.begin("recording", as_json)
    ctx.exit(guarded(call, lambda: _run(call, file, pcapng, csv_, frames_csv, export_json)))


def _run(
    call: Call,
    file: Path,
    pcapng: Path | None,
    csv_: Path | None,
    frames_csv: Path | None,
    export_json: Path | None,
) -> int:
    from busprobe.recording.exports import write_exports
    from busprobe.recording.read import open_recording
    from busprobe.report.made_changes import changes_in

    with open_recording(file) as recording:
        head = recording.head
        write_exports(
            recording, file, pcapng=pcapng, readings=csv_, frames=frames_csv, everything=export_json
        )
        chunks = list(recording.chunks())
        result = RecordingResult(
            endpoint=head.endpoint,
            started=head.started.isoformat(),
            version=head.version,
            duration_s=(chunks[-1].t_ns - head.started_t_ns) / 1e9 if chunks else 0.0,
            chunks=len(chunks),
            bytes_sent=sum(len(c.data) for c in chunks if c.direction == "sent"),
            bytes_received=sum(len(c.data) for c in chunks if c.direction == "received"),
            exchanges=sum(1 for _ in recording.exchanges()),
            damaged_rows=recording.damaged_rows,
            missing_bytes=0 if recording.cut is None else recording.cut.whole - recording.cut.size,
            changes=[
                RecordedChangePart.model_validate(change.model_dump(mode="json"))
                for change in changes_in(recording.events(), head.wall_clock)
            ],
        )
        found = recording.findings()
    if call.as_json:
        output.document(call.document(result, found))
    else:
        _show(result)
        for finding in found:
            output.line(f"  {finding.severity}: {finding.summary}")
    return diagnostics.ExitStatus.CLEAN


def _show(result: RecordingResult) -> None:
    output.line(f"Link       {result.endpoint}")
    output.line(f"Begun      {result.started}, with busprobe {result.version}")
    output.line(f"Length     {result.duration_s:.1f} s on the link's clock")
    output.line(
        f"Traffic    {result.bytes_sent} bytes sent, {result.bytes_received} received, "
        f"{result.exchanges} exchanges"
    )
    for change in result.changes:
        serial = f", serial number {change.serial}" if change.serial else ""
        output.line(
            f"Written    {change.time} to {change.device}{serial}: {change.before} should become "
            f"{change.after}; {change.state}, confirmed by {change.confirmed_by}"
        )
    if result.missing_bytes:
        output.line(f"Cut off    the end of the file is missing: {result.missing_bytes} bytes")
    if result.damaged_rows:
        output.line(f"Damaged    {result.damaged_rows} rows could not be read and are left out")
