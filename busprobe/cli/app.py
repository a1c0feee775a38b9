"""The command line: a lazy group, one small module per command."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from busprobe import __version__
from busprobe.cli.options import screen_options
from busprobe.model.errors import InputError

if TYPE_CHECKING:
    from types import ModuleType

    from busprobe.session.ports import OpenLink

# Name -> module and one-line summary: help must not import every command.
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "See the whole job on a simulated site, without hardware."),
    "ports": ("ports", "List the serial ports of this computer."),
    "listen": ("listen", "Hear who polls whom, and at which settings. Nothing is sent."),
    "scan": ("scan", "Find and identify every device on a bus."),
    "read": ("read", "Read a device once, every point with its unit."),
    "watch": ("watch", "Read a meter again and again."),
    "duplicates": ("duplicates", "Prove whether two devices share an address."),
    "line": ("line", "Find what is wrong with the line, count errors, or calculate it."),
    "wiring": ("wiring", "Prove each CT's phase and direction under a known load."),
    "bench": ("bench", "Test one meter on the table, before the visit."),
    "balance": ("balance", "See whether the meters of a site add up."),
    "readdress": ("readdress", "Give a device another address or other line settings."),
    "plan": ("plan", "Write a first site plan from what answers."),
    "verify": ("verify", "Hold a site against its plan."),
    "decode": ("decode", "Explain pasted bytes."),
    "report": ("report", "Write a visit down as a page, a PDF or data."),
    "recording": ("recording", "Show a recording, or export it as pcapng, CSV or JSON."),
    "simulate": ("simulate", "Serve a simulated bus on a pty or TCP port."),
    "train": ("train", "Exercises on simulated faulty buses, graded."),
    "doctor": ("doctor", "Check whether this computer is ready, and how to mend it."),
    "schema": ("schema", "Print the JSON Schema of a document, a plan or a profile."),
}


def _no_training() -> ModuleType:
    raise InputError("There are no exercises here.", "Start the program as 'busprobe'.")


@dataclass(frozen=True, slots=True)
class Outside:
    """What the launcher hands to the commands.

    Attributes:
        open_link: Opens any link, simulated ones included.
        run_terminal: Opens the terminal interface; arguments: link or None, tour, theme, glyphs.
        simulator: Imports the scenarios, or raises an `InputError` that says how to get them.
        simulation_server: Imports what serves a simulated bus, or raises likewise.
        training: Imports the exercises, or raises likewise.
    """

    open_link: OpenLink
    run_terminal: Callable[..., int]
    simulator: Callable[[], ModuleType]
    simulation_server: Callable[[], ModuleType]
    training: Callable[[], ModuleType] = _no_training


class LazyGroup(click.Group):
    """Imports a command only when it is run or its own help is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        known = COMMANDS.get(cmd_name)
        if known is None:
            return None
        module = importlib.import_module(f"busprobe.cli.{known[0]}")
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in COMMANDS.items()])

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; Ctrl-C ends it in the same way wherever it strikes."""
        try:
            return super().invoke(ctx)
        except (KeyboardInterrupt, click.Abort):
            from busprobe.cli import diagnostics

            diagnostics.progress_done()
            diagnostics.say("Stopped.")
            ctx.exit(diagnostics.ExitStatus.INTERRUPTED)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Name the nearest command when there is no such one."""
        name = args[0]
        if name not in COMMANDS:
            import difflib

            if _looks_like_a_link(name):
                ctx.fail(
                    f"'{name}' is a link: say what to do with it, such as 'busprobe scan {name}', "
                    "or start 'busprobe' and open it there."
                )
            near = difflib.get_close_matches(name, COMMANDS, n=1)
            hint = f" Did you mean '{near[0]}'?" if near else " Try 'busprobe --help'."
            ctx.fail(f"There is no command '{name}'.{hint}")
        return super().resolve_command(ctx, args)


def _looks_like_a_link(text: str) -> bool:
    """Whether somebody named a link where a command belongs: a path, a COM port, or a scheme."""
    return bool(re.match(r"/|COM\d+$|[a-z0-9+]+:", text))


@click.group(
    cls=LazyGroup,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="busprobe")
@screen_options
@click.pass_context
def application(ctx: click.Context, theme: str | None, glyphs: str) -> None:
    """Modbus field diagnosis for electricity meters.

    LINK is a serial port (/dev/ttyUSB0, COM3), tcp://HOST[:502], rtu+tcp://HOST:PORT,
    rfc2217://HOST:PORT, or sim:SCENARIO for a simulated bus. Without a command the terminal
    interface opens.

    Exit status: 0 done, no fault found; 1 done, faults found; 2 the call or an input file is wrong;
    3 the link could not be used or was lost.
    """
    if ctx.invoked_subcommand is None:
        outside = ctx.obj
        assert isinstance(outside, Outside)
        ctx.exit(outside.run_terminal(link=None, theme=theme, glyphs=glyphs))
