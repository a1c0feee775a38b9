"""`busprobe doctor`: is this computer ready for the plant room, and how is it mended?"""

from __future__ import annotations

import datetime
import os
import platform
import shutil
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.call import Call, guarded, outside
from busprobe.cli.documents import DoctorPart, DoctorResult
from busprobe.cli.options import json_option
from busprobe.model.errors import BusprobeError

# A clock before the release of this program is wrong; one far behind it is worth a look.
_RELEASED = datetime.date(2026, 11, 1)
_SMALLEST_WIDTH, _SMALLEST_HEIGHT = 80, 24
_FREE_MB = 100


@dataclass(frozen=True, slots=True)
class _Look:
    """One look at the computer.

    Attributes:
        area: What was looked at.
        good: True well, False to be mended, None worth knowing.
        found: What was found.
        mend: What to do, or "".
    """

    area: str
    good: bool | None
    found: str
    mend: str = ""


@click.command("doctor")
@json_option
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Check terminal, ports, permissions, adapters, clock and disk, and say how to mend each.

    No port is opened: opening one can disturb the bus behind it.
    """
    call = Call.begin("doctor", as_json)

    def run() -> int:
        looks = [
            *_terminal(),
            *_ports(),
            _clock(datetime.datetime.now().astimezone()),
            _disk(),
            _simulator(lambda: outside(ctx).simulator()),
        ]
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


def _show(looks: list[_Look]) -> None:
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


def _terminal() -> list[_Look]:
    looks = []
    encoding = (sys.stdout.encoding or "").lower()
    fine = "utf" in encoding
    looks.append(
        _Look(
            "text of the terminal",
            fine,
            f"encoding {encoding or 'unknown'}; a braille cell looks like this: ⣿⠛⣤",
            ""
            if fine
            else "Linux, macOS: set LANG to a UTF-8 locale, such as C.UTF-8. Windows: use Windows "
            "Terminal, or run 'chcp 65001' first. Or start with --glyphs ascii.",
        )
    )
    if sys.stdout.isatty():
        size = shutil.get_terminal_size()
        large = size.columns >= _SMALLEST_WIDTH and size.lines >= _SMALLEST_HEIGHT
        looks.append(
            _Look(
                "size of the terminal",
                large,
                f"{size.columns} x {size.lines} cells",
                ""
                if large
                else f"Enlarge it to {_SMALLEST_WIDTH} x {_SMALLEST_HEIGHT} or more, or choose a "
                "smaller font.",
            )
        )
    term, colour = os.environ.get("TERM", ""), os.environ.get("COLORTERM", "")
    rich = colour in ("truecolor", "24bit") or "256" in term or bool(os.environ.get("WT_SESSION"))
    looks.append(
        _Look(
            "colours of the terminal",
            None if "NO_COLOR" in os.environ else rich or None,
            "switched off by NO_COLOR; words and signs say everything too"
            if "NO_COLOR" in os.environ
            else f"TERM={term or 'not set'}, COLORTERM={colour or 'not set'}",
            "" if rich else "With few colours states are told by their words and signs.",
        )
    )
    if os.environ.get("TMUX"):
        looks.append(
            _Look(
                "tmux",
                None,
                "runs inside tmux, which holds back a lone Escape key",
                "Add 'set -s escape-time 10' to ~/.tmux.conf.",
            )
        )
    return looks


def _ports() -> list[_Look]:
    from busprobe.link.advice import advise, system_facts
    from busprobe.link.ports import list_ports

    ports = list_ports()
    looks = [
        _Look(
            "serial ports",
            True if ports else None,
            ", ".join(port.device for port in ports) or "none found",
            ""
            if ports
            else "Plug in the USB-RS485 adapter. If it still does not appear: Linux 'dmesg', "
            "Windows Device Manager, macOS System Information tell whether the system saw it.",
        )
    ]
    for advice in advise(system_facts(), ports):
        looks.append(
            _Look(
                advice.device or "this computer",
                False if advice.blocks else None,
                advice.cause,
                advice.next_step,
            )
        )
    return looks


def _clock(now: datetime.datetime) -> _Look:
    wrong = now.date() < _RELEASED
    return _Look(
        "clock",
        not wrong,
        now.isoformat(" ", "seconds"),
        "Set date and time: the report carries them." if wrong else "",
    )


def _disk() -> _Look:
    from platformdirs import user_data_path

    folder = user_data_path("busprobe", appauthor=False)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile(dir=folder):
            free = shutil.disk_usage(folder).free // 1_000_000
    except OSError as error:
        return _Look(
            "place for recordings",
            False,
            f"{folder} cannot be written: {error.strerror}",
            "Give yourself the right to write there, or free some room.",
        )
    enough = free >= _FREE_MB
    return _Look(
        "place for recordings",
        enough,
        f"{_short(folder)}, {free} MB free",
        "" if enough else "Free some room: a day of a busy bus takes about 110 MB.",
    )


def _short(folder: Path) -> str:
    try:
        return str(Path("~") / folder.relative_to(Path.home()))
    except (ValueError, RuntimeError):
        return str(folder)


def _simulator(find: Callable[[], object]) -> _Look:
    try:
        find()
    except BusprobeError as error:
        return _Look("simulated buses", False, error.cause, error.next_step)
    return _Look("simulated buses", True, "installed")
