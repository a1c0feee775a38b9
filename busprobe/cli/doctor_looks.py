"""What the doctor judges of a computer, from facts alone: the same on every system, and in tests.

How each thing is mended on Windows, Linux and macOS, and which fonts and windows have which
characters: common practice, no source, where no other is named.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

# A clock before the release of this program is wrong.
RELEASED = datetime.date(2026, 11, 1)
SMALLEST_WIDTH, SMALLEST_HEIGHT = 80, 24
FREE_MB = 100

WINDOWS, LINUX, MACOS = "Windows", "Linux", "Darwin"


@dataclass(frozen=True, slots=True)
class Look:
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


@dataclass(frozen=True, slots=True)
class Computer:
    """What matters of this computer.

    Attributes:
        system: "Windows", "Linux" or "Darwin".
        environment: The environment variables.
        encoding: Of standard output, small letters; "" if unknown.
        size: Columns and rows of the terminal; None when standard output is no terminal.
        now: Date and time, with the offset of the time zone.
        clock_is_set: Whether the system says that its clock follows a time server; None where it
            does not say.
    """

    system: str
    environment: Mapping[str, str] = field(default_factory=dict)
    encoding: str = "utf-8"
    size: tuple[int, int] | None = None
    now: datetime.datetime = datetime.datetime(2026, 11, 1, tzinfo=datetime.UTC)
    clock_is_set: bool | None = None

    def mending(self, ways: Mapping[str, str]) -> str:
        """The way of this system; all of them on a system that is none of the three."""
        names = {WINDOWS: "Windows", LINUX: "Linux", MACOS: "macOS"}
        if self.system in ways:
            return ways[self.system]
        return " ".join(f"{names[system]}: {way}" for system, way in ways.items())

    @property
    def is_plain_console(self) -> bool:
        """Whether this is a window with few characters: old Windows console, Linux text console."""
        if self.system == WINDOWS:
            return not self.environment.get("WT_SESSION")
        return self.environment.get("TERM") == "linux"


def terminal(computer: Computer) -> list[Look]:
    """Encoding, font, size, colours, and what stands in between."""
    looks = [_encoding(computer), _font(computer)]
    if computer.size is not None:
        looks.append(_size(computer, computer.size))
    looks.append(_colours(computer))
    if computer.environment.get("TMUX"):
        looks.append(
            Look(
                "tmux",
                None,
                "runs inside tmux, which holds back a lone Escape key",
                "Add 'set -s escape-time 10' to ~/.tmux.conf.",
            )
        )
    return looks


def _encoding(computer: Computer) -> Look:
    fine = "utf" in computer.encoding
    mend = computer.mending(
        {
            WINDOWS: "Use Windows Terminal, or run 'chcp 65001' and 'set PYTHONUTF8=1' first.",
            LINUX: "Run 'export LANG=C.UTF-8' and start again; for good put it into ~/.profile.",
            MACOS: "Run 'export LANG=en_US.UTF-8' and start again, or tick 'Set locale environment "
            "variables on startup' in the profile of the terminal, under Advanced.",
        }
    )
    return Look(
        "text of the terminal",
        fine,
        f"encoding {computer.encoding or 'unknown'}",
        "" if fine else f"{mend} Or start with 'busprobe --glyphs ascii'.",
    )


def _font(computer: Computer) -> Look:
    if computer.is_plain_console:
        found = "this window has no braille characters; pictures are drawn with half blocks"
    else:
        found = "this must be two full cells, a line with a drop, a tick and a cross: ⣿⣿ ━┯━ ✔ ✘"
    mend = computer.mending(
        {
            WINDOWS: "Use Windows Terminal, and a font with braille (DejaVu Sans Mono, Cascadia "
            "Mono) under Settings, Profiles, Appearance.",
            LINUX: "Install a font with braille ('sudo apt install fonts-dejavu') and choose "
            "DejaVu Sans Mono in the settings of a graphical terminal.",
            MACOS: "Choose Menlo in the profile of the terminal: missing characters are then "
            "taken from the system's own braille font.",
        }
    )
    return Look(
        "font of the terminal",
        None,
        found,
        f"Only if it is not so: {mend} Or start with 'busprobe --glyphs half'."
        if not computer.is_plain_console
        else mend,
    )


def _size(computer: Computer, size: tuple[int, int]) -> Look:
    columns, rows = size
    large = columns >= SMALLEST_WIDTH and rows >= SMALLEST_HEIGHT
    smaller = computer.mending(
        {
            WINDOWS: "a smaller font (Ctrl and -)",
            LINUX: "a smaller font (Ctrl and -)",
            MACOS: "a smaller font (Cmd and -)",
        }
    )
    return Look(
        "size of the terminal",
        large,
        f"{columns} x {rows} cells",
        ""
        if large
        else f"Enlarge the window to {SMALLEST_WIDTH} x {SMALLEST_HEIGHT} or more, or choose "
        f"{smaller}.",
    )


def _colours(computer: Computer) -> Look:
    environment = computer.environment
    area = "colours of the terminal"
    if "NO_COLOR" in environment:
        return Look(
            area, None, "switched off by NO_COLOR; words and signs say everything too",
            "For colours run " + ("'set NO_COLOR='" if computer.system == WINDOWS
                                  else "'unset NO_COLOR'") + " first.",
        )  # fmt: skip
    term, depth = environment.get("TERM", ""), environment.get("COLORTERM", "")
    rich = depth in ("truecolor", "24bit") or "256" in term
    rich = rich or bool(environment.get("WT_SESSION"))
    mend = computer.mending(
        {
            WINDOWS: "Windows Terminal has all colours.",
            LINUX: "Where the terminal can do more, run 'export TERM=xterm-256color'.",
            MACOS: "Choose xterm-256color in the profile of the terminal, under Advanced.",
        }
    )
    return Look(
        area,
        True if rich else None,
        f"TERM={term or 'not set'}, COLORTERM={depth or 'not set'}",
        "" if rich else f"With few colours states are told by their words and signs. {mend}",
    )


def clock(computer: Computer) -> Look:
    """Date and time: the report carries them."""
    wrong = computer.now.date() < RELEASED
    drifts = computer.clock_is_set is False
    found = computer.now.isoformat(" ", "seconds")
    if drifts:
        found += ", follows no time server"
    mend = computer.mending(
        {
            WINDOWS: "Settings, Time & language, Date & time: set the time automatically, choose "
            "the time zone, 'Sync now'.",
            LINUX: "Run 'sudo timedatectl set-ntp true'; without a network "
            "'sudo timedatectl set-time \"2026-11-01 08:00:00\"' with the time of now. The zone "
            "is set with 'sudo timedatectl set-timezone Region/City'.",
            MACOS: "System Settings, General, Date & Time: set time and time zone automatically.",
        }
    )
    return Look(
        "clock",
        False if wrong else (None if drifts else True),
        found,
        f"The report carries date and time. {mend}" if wrong or drifts else "",
    )


def disk(computer: Computer, folder: str, free_mb: int | None, problem: str = "") -> Look:
    """Room for recordings; `free_mb` is None where the folder cannot be written."""
    area = "place for recordings"
    if free_mb is None:
        mend = computer.mending(
            {
                WINDOWS: "Free some room on the drive, or let the owner of the folder give you "
                "the right to write (Properties, Security).",
                LINUX: "Free some room ('df -h'), or run 'sudo chown -R $USER' on that folder.",
                MACOS: "Free some room, or run 'sudo chown -R $USER' on that folder.",
            }
        )
        return Look(area, False, f"{folder} cannot be written: {problem}", mend)
    enough = free_mb >= FREE_MB
    return Look(
        area,
        enough,
        f"{folder}, {free_mb} MB free",
        "" if enough else "Free some room: a day of a busy bus takes about 110 MB.",
    )


def ports(computer: Computer, names: Sequence[str]) -> Look:
    """Whether there is any serial port."""
    # How a missing one is mended is told by the advice about this system.
    found = ", ".join(names) or "none found"
    return Look("serial ports", True if names else None, found)
