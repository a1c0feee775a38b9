"""`busprobe ports`: what can be used on this computer?"""

from __future__ import annotations

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, guarded
from busprobe.cli.documents import PortPart, PortsResult
from busprobe.cli.options import json_option

_YES_NO = {True: "yes", False: "no", None: "unknown"}


@click.command("ports")
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """List the serial ports of this computer, without opening them."""
    from busprobe.link.ports import list_ports

    call = Call.begin("ports", as_json)

    def run() -> int:
        found = list_ports()
        parts = [
            PortPart(
                device=p.device,
                description=p.description,
                usb=p.usb_id or None,
                serial_number=p.serial_number or None,
                location=p.location or None,
                stable_name=p.by_id or None,
                driver=p.driver or None,
                latency_ms=p.latency_timer_ms,
                character_marks=p.character_marks.value,
                permitted=p.permitted,
                busy=p.busy,
            )
            for p in found
        ]
        if as_json:
            output.document(call.document(PortsResult(ports=parts)))
        elif not parts:
            output.line("No serial port was found.")
            output.line(
                "Plug in the USB-RS485 adapter. On Linux 'dmesg' tells whether the system saw it."
            )
        else:
            words.table(
                ("port", "adapter", "USB id", "latency", "error marks", "permitted", "in use"),
                [
                    (
                        p.device,
                        p.description,
                        p.usb or "-",
                        "-" if p.latency_ms is None else f"{p.latency_ms} ms",
                        p.character_marks.replace("-", " "),
                        _YES_NO[p.permitted],
                        _YES_NO[p.busy],
                    )
                    for p in parts
                ],
            )
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))
