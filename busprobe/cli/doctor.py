"""`busprobe doctor`: is this computer ready for the plant room, and how is it mended?"""

from __future__ import annotations

import datetime
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import click

from busprobe.cli import diagnostics, doctor_looks, output, words
from busprobe.cli.call import Call, guarded, outside
from busprobe.cli.doctor_looks import LINUX, Computer, Look
from busprobe.cli.documents import DoctorPart, DoctorResult
from busprobe.cli.options import json_option
from busprobe.model.errors import BusprobeError

# systemd-timesyncd touches this file whenever a time server has set the clock
# (systemd-timesyncd.service(8)).
_CLOCK_WAS_SET = Path("/run/systemd/timesync/synchronized")
_TIME_SERVICE = Path("/run/systemd/timesync")


@click.command("doctor")
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Check terminal, ports, permissions, adapters, clock and disk, and say how to mend each.

    No port is opened: opening one can disturb the bus behind it.
    """
    call = Call.begin("doctor", as_json)

    def run() -> int:
        looks = looks_at(this_computer(), lambda: outside(ctx).simulator())
        bad = any(look.good is False for look in looks)
        if as_json:
            output.document(
                call.document(
                    DoctorResult(
                        system=f"{platform.system()} {platform.release()}",
                        python=platform.python_version(),
                        looks=[
                            DoctorPart(
                                area=look.area, good=look.good, found=look.found, mend=look.mend
                            )
                            for look in looks
                        ],
                    )
                )
            )
        else:
            _show(looks)
        return diagnostics.ExitStatus.FAULTS if bad else diagnostics.ExitStatus.CLEAN

    ctx.exit(guarded(call, run))


def looks_at(computer: Computer, find_simulator: Callable[[], object]) -> list[Look]:
    """Everything that is looked at; no port is opened."""
    return [
        *doctor_looks.terminal(computer),
        *_ports(computer),
        doctor_looks.clock(computer),
        _disk(computer),
        _simulator(find_simulator),
    ]


def _show(looks: list[Look]) -> None:
    output.line(
        f"{platform.system()} {platform.release()}, Python {platform.python_version()}, "
        f"{sys.executable}"
    )
    for look in looks:
        sign = {True: "✔ fine", False: "✘ mend", None: "· note"}[look.good]
        output.line()
        output.line(f"{sign}  {look.area}")
        words.paragraph("found", look.found)
        if look.mend:
            words.paragraph("do", look.mend)


def this_computer() -> Computer:
    """Look at this computer."""
    size = shutil.get_terminal_size() if sys.stdout.isatty() else None
    return Computer(
        system=platform.system(),
        environment=dict(os.environ),
        encoding=(sys.stdout.encoding or "").lower(),
        size=None if size is None else (size.columns, size.lines),
        now=datetime.datetime.now().astimezone(),
        clock_is_set=_CLOCK_WAS_SET.exists()
        if platform.system() == LINUX and _TIME_SERVICE.is_dir()
        else None,
    )


def _ports(computer: Computer) -> list[Look]:
    from busprobe.link.advice import advise, system_facts
    from busprobe.link.ports import list_ports

    ports = list_ports()
    looks = [doctor_looks.ports(computer, [port.device for port in ports])]
    for advice in advise(system_facts(), ports):
        looks.append(
            Look(
                advice.device or "this computer",
                False if advice.blocks else None,
                advice.cause,
                advice.next_step,
            )
        )
    return looks


def _disk(computer: Computer) -> Look:
    from busprobe.session.own_recordings import own_folder

    folder = own_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder):
            free = shutil.disk_usage(folder).free // 1_000_000
    except OSError as error:
        return doctor_looks.disk(computer, _short(folder), None, error.strerror or "unknown")
    return doctor_looks.disk(computer, _short(folder), free)


def _short(folder: Path) -> str:
    try:
        return str(Path("~") / folder.relative_to(Path.home()))
    except (ValueError, RuntimeError):
        return str(folder)


def _simulator(find: Callable[[], object]) -> Look:
    try:
        find()
    except BusprobeError as error:
        return Look("simulated buses", False, error.cause, error.next_step)
    return Look("simulated buses", True, "installed")
