"""`busprobe simulate`: a simulated bus for other programs."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from collections.abc import Sequence
from typing import Any

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, guarded, outside
from busprobe.cli.documents import ScenarioPart, SimulateResult
from busprobe.cli.options import json_option
from busprobe.model.errors import InputError

_LOOPBACK = ("127.0.0.1", "localhost", "::1")


@click.command("simulate")
@click.argument("scenario", required=False)
@click.option("--list", "list_them", is_flag=True, help="List the scenarios that are shipped.")
@click.option("--pty", is_flag=True, help="Serve on a pseudo terminal (Linux, macOS).")
@click.option("--tcp", type=click.IntRange(0, 65535), help="Serve Modbus TCP; 0 takes a free port.")
@click.option("--rtu-tcp", type=click.IntRange(0, 65535), help="Serve RTU over TCP.")
@click.option("--rfc2217", type=click.IntRange(0, 65535), help="Serve a remote serial port.")
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--seed", type=int, help="Another course of the same scenario.")
@click.option("--seconds", type=click.FloatRange(0.1), help="Stop after so long.")
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    scenario: str | None,
    list_them: bool,
    pty: bool,
    tcp: int | None,
    rtu_tcp: int | None,
    rfc2217: int | None,
    host: str,
    seed: int | None,
    seconds: float | None,
    as_json: bool,
) -> None:
    """Serve a simulated bus in real time, for this and other programs.

    SCENARIO is the name of a shipped scenario or a YAML file. Without a choice it is served on a
    pty where there is one, and as Modbus TCP on a free port. Only this computer can reach it
    unless --host says otherwise.
    """
    call = Call.begin("simulate", as_json)

    def run() -> int:
        simulator: Any = outside(ctx).simulator()
        if list_them:
            return _list(call, simulator.list_scenarios())
        if scenario is None:
            raise InputError("No scenario was named.", "Try 'busprobe simulate --list'.")
        loaded = simulator.load_scenario(scenario, seed)
        diagnostics.say(f"{loaded.part.title}. {' '.join(loaded.part.story.split())}")
        serve_in_real_time(ctx, loaded, (pty, tcp, rtu_tcp, rfc2217), host, seconds)
        return diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def serve_in_real_time(
    ctx: click.Context,
    loaded: Any,
    ways: tuple[bool, int | None, int | None, int | None],
    host: str,
    seconds: float | None,
) -> None:
    """Serve a scenario in real time until stopped.

    Args:
        ctx: Where the launcher's part is found.
        loaded: The scenario.
        ways: On a pty, and the ports of Modbus TCP, RTU over TCP and RFC 2217; when none is chosen,
            on a pty where there is one, and as Modbus TCP on a free port.
        host: Address to listen on.
        seconds: How long, None for ever.
    """
    if host not in _LOOPBACK:
        diagnostics.say(f"Everybody who can reach {host} can talk to this bus.")
    pty, tcp, rtu_tcp, rfc2217 = ways
    chosen = pty or any(port is not None for port in (tcp, rtu_tcp, rfc2217))
    server: Any = outside(ctx).simulation_server()

    async def serve() -> None:
        async with asyncio.timeout(seconds):
            await server.serve(
                loaded.build(),
                pty=pty or (not chosen and sys.platform != "win32"),
                tcp_port=tcp if chosen else 0,
                rtu_tcp_port=rtu_tcp,
                rfc2217_port=rfc2217,
                host=host,
                on_ready=_ready,
            )

    with contextlib.suppress(TimeoutError):
        asyncio.run(serve())


def _ready(served: Any) -> None:
    for link in served.links:
        output.line(link)
    if any(str(link).startswith("/") for link in served.links):
        diagnostics.say(
            "A pseudo terminal passes on the rate, but neither parity nor stop bits: who uses "
            "other ones than this line is heard through --rfc2217 only."
        )
    diagnostics.say("Serving; Ctrl-C stops.")


def _list(call: Call, scenarios: Sequence[Any]) -> int:
    parts = [ScenarioPart(name=s.name, title=s.title, story=s.story) for s in scenarios]
    if call.as_json:
        output.document(call.document(SimulateResult(scenarios=parts)))
    else:
        words.table(("scenario", "what it is"), [(p.name, p.title) for p in parts])
    return diagnostics.ExitStatus.CLEAN
