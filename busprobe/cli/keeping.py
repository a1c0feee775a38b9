"""Where a call of a command is recorded: in the file that was named, else in the user's folder."""

from __future__ import annotations

import re
from pathlib import Path

import click

from busprobe.cli import diagnostics
from busprobe.cli.options import NO_RECORD_KEY, RECORD_KEY
from busprobe.link.base import Link
from busprobe.model.errors import InputError
from busprobe.recording.store import Recorder
from busprobe.session.keeping import begin_recording
from busprobe.session.own_recordings import begin_own_recording


def file_for(named: Path, part: str) -> Path:
    """The file of one line or host out of several: its name goes before the suffix."""
    plain = re.sub(r"[^\w.-]+", "-", part).strip("-.") or "line"
    return named.with_name(f"{named.stem}-{plain}{named.suffix}")


def recorder_for(ctx: click.Context, link: Link, part: str = "") -> Recorder | None:
    """Begin the recording of a link that was just opened; None where nothing is kept.

    Args:
        ctx: The call.
        link: The link.
        part: Name of the line or host, where the call uses several.

    Raises:
        InputError: The file that was named exists or cannot be made.
    """
    named: Path | None = ctx.meta.get(RECORD_KEY)
    if ctx.meta.get(NO_RECORD_KEY):
        if named is not None:
            raise InputError("--record and --no-record exclude each other.", "Give one of them.")
        return None
    if named is not None:
        return begin_recording(file_for(named, part) if part else named, link)
    try:
        recorder = begin_own_recording(link)
    except InputError as error:
        # Nobody asked for it: the work goes on.
        diagnostics.say(f"This session is not recorded. {error.cause} {error.next_step}")
        return None
    if recorder is not None:
        diagnostics.say(f"Recorded in {_short(recorder.path)} (--no-record keeps nothing).")
    return recorder


def _short(path: Path) -> Path:
    try:
        return "~" / path.relative_to(Path.home())
    except (ValueError, RuntimeError):
        return path


def tell_trouble(recorder: Recorder | None) -> None:
    """Say it where a recording is not whole."""
    if recorder is not None and recorder.trouble:
        diagnostics.say(f"The recording is not whole: {recorder.trouble}")
