"""`busprobe listen`: who polls whom on this line?"""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from busprobe.cli import output, words
from busprobe.cli.call import Call, Traffic
from busprobe.cli.convert import settings_part
from busprobe.cli.documents_line import (
    HeardDevicePart,
    HeardMasterPart,
    LineErrorsPart,
    ListenResult,
)
from busprobe.cli.options import json_option, line_options, link_argument, settings_from
from busprobe.cli.running import run_job
from busprobe.session.job import Job

if TYPE_CHECKING:
    from busprobe.link.line_errors import LineErrors
    from busprobe.procedures.listen import Listening

_HEARD = {
    "quiet": "not a byte",
    "conversation": "a conversation",
    "other-settings": "somebody at other settings",
    "swapped-pair": "a conversation with A and B exchanged",
    "floating-idle": "an idle line that floats",
    "noise": "noise, and nobody who talks",
    "jabber": "somebody who never stops",
    "undecided": "something, undecided what",
}


@click.command("listen")
@link_argument
@line_options
@click.option(
    "--seconds",
    type=click.FloatRange(0.5, 86_400),
    default=10.0,
    show_default=True,
    help="How long to listen; up to half as long again where the settings must be found.",
)
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    link: str,
    baud: int | None,
    parity: str | None,
    stop_bits: int | None,
    seconds: float,
    as_json: bool,
) -> None:
    """Hear who polls whom, and at which settings. Not a byte is sent.

    Rate and format are found from the bytes of others; a wrong rate, exchanged wires, a floating
    idle line and a device that never stops are told apart. Masters poll every 0.2 to 10 s: listen
    for three polls at least. Without parity marks or error counters in the adapter, formats of
    equal length cannot be told apart; then all that fit are listed.
    """
    call = Call.begin("listen", as_json)
    settings = settings_from(baud, parity, stop_bits)

    async def work(job: Job) -> ListenResult:
        return _result(await job.listen(seconds, settings))

    run_job(ctx, call, link, settings, work, _show, counts=True)


def line_errors_part(errors: LineErrors | None) -> LineErrorsPart | None:
    """Error counters, None where unknown."""
    if errors is None:
        return None
    return LineErrorsPart(
        framing=errors.framing, parity=errors.parity, overrun=errors.overrun, breaks=errors.breaks
    )


def errors_told(errors: LineErrorsPart | None, marks: bool) -> str:
    """What the adapter tells of line errors, in words."""
    if errors is None and not marks:
        return "the adapter tells no line errors: they are unknown, not absent"
    if errors is None:
        return "the adapter marks the characters with line errors and keeps no count of them"
    counted = (
        f"{errors.framing} framing errors, {errors.parity} parity errors, {errors.breaks} breaks"
    )
    if marks:
        return f"the adapter marks the characters with line errors and counted {counted}"
    return f"the adapter counted {counted}; at which characters is unknown"


def _result(found: Listening) -> ListenResult:
    talk = found.conversation
    return ListenResult.model_validate(
        {
            "settings": settings_part(found.settings),
            "alternatives": [settings_part(s) for s in found.heard.alternatives],
            "heard": found.heard.state.value,
            "probability": min(1.0, found.heard.probability),
            "master": HeardMasterPart(seen=talk.master_seen, poll_s=talk.poll_s),
            "devices": [
                HeardDevicePart(
                    address=d.address,
                    requests=d.requests,
                    answers=d.answers,
                    functions=list(d.functions),
                    errors=d.errors,
                    exceptions=d.exceptions,
                    unanswered=d.unanswered,
                    poll_s=d.poll_s,
                    turnaround_ms=d.turnaround_ms,
                )
                for d in talk.devices
            ],
            "frames": talk.frames,
            "junk_bytes": found.junk_bytes,
            "line_errors": line_errors_part(found.errors),
            "character_marks": found.marks,
        }
    )


def _show(result: ListenResult, traffic: Traffic) -> None:
    output.line()
    at = ""
    if result.settings is not None:
        s = result.settings
        at = f" at {s.baud} 8{s.parity}{s.stop_bits}"
    output.line(f"Heard: {_HEARD[result.heard]}{at}.")
    if result.devices:
        output.line()
        words.table(
            (
                "address",
                "asked",
                "answered",
                "failed",
                "silent",
                "functions",
                "every",
                "answers in",
            ),
            [_row(d) for d in result.devices],
            right=(0, 1, 2, 3, 4),
        )
    output.line()
    counted = errors_told(result.line_errors, result.character_marks)
    output.line(
        f"{result.frames} whole frames, {result.junk_bytes} bytes of no frame; {counted}; "
        f"{traffic.bus_time_s:.1f} s."
    )


def _row(device: HeardDevicePart) -> tuple[str, ...]:
    return (
        str(device.address),
        str(device.requests),
        str(device.answers),
        str(device.errors),
        str(device.unanswered),
        ", ".join(f"{f:02X}" for f in device.functions),
        "-" if device.poll_s is None else f"{device.poll_s:.2f} s",
        "-" if device.turnaround_ms is None else f"{device.turnaround_ms:.1f} ms",
    )
