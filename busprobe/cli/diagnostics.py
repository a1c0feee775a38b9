"""The only module that writes to standard error, and the meaning of the exit status."""

from __future__ import annotations

import shutil
import sys
from enum import IntEnum

from busprobe.cli.plain import encodable
from busprobe.model.errors import BusprobeError, InputError


class ExitStatus(IntEnum):
    """Exit status of every command."""

    CLEAN = 0
    """Done, no fault found."""
    FAULTS = 1
    """Done, faults found."""
    WRONG_CALL = 2
    """The call or an input file is wrong."""
    LINK = 3
    """The link could not be used, or was lost."""
    INTERRUPTED = 130
    """Stopped by the user with Ctrl-C."""


def status_of(error: BusprobeError) -> ExitStatus:
    """Exit status for an error."""
    return ExitStatus.WRONG_CALL if isinstance(error, InputError) else ExitStatus.LINK


def say(text: str) -> None:
    """Tell the user something that is not the result."""
    _write(text + "\n")


def progress(text: str) -> None:
    """Overwrite the line of progress; nothing when standard error is no terminal."""
    if sys.stderr.isatty():
        _write(f"\r\x1b[K{text[: shutil.get_terminal_size().columns - 1]}")


def progress_done() -> None:
    """Clear the line of progress."""
    if sys.stderr.isatty():
        _write("\r\x1b[K")


def error(problem: BusprobeError) -> None:
    """Say what happened and what to do."""
    _write(f"busprobe: {problem.cause}\n          {problem.next_step}\n")


def _write(text: str) -> None:
    sys.stderr.write(encodable(text, sys.stderr.encoding or "utf-8"))
    sys.stderr.flush()
