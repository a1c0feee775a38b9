"""`busprobe ports`: what can be used on this computer?"""

from __future__ import annotations

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.documents import PortPart, PortsResult
from busprobe.cli.options import json_option
from busprobe.cli.running import Call, guarded


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
                usb=p.usb,
                serial_number=p.serial_number,
                location=p.location,
                stable_name=p.stable_name,
                latency_ms=p.latency_ms,
                permitted=p.permitted,
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
                ("port", "adapter", "USB id", "latency", "permitted"),
                [
                    (
                        p.device,
                        p.description,
                        p.usb or "-",
                        "-" if p.latency_ms is None else f"{p.latency_ms} ms",
                        {True: "yes", False: "NO", None: "unknown"}[p.permitted],
                    )
                    for p in parts
                ],
            )
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))
