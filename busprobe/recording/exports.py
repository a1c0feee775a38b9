"""A recording as files that other programs read; the recording itself is never changed."""

from __future__ import annotations

from pathlib import Path

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings
from busprobe.recording.export import write_csv, write_json
from busprobe.recording.frames import frames_of
from busprobe.recording.pcapng import write_pcapng
from busprobe.recording.read import Recording
from busprobe.recording.readings_csv import write_readings_csv


def write_exports(
    recording: Recording,
    source: Path,
    *,
    pcapng: Path | None = None,
    readings: Path | None = None,
    frames: Path | None = None,
    everything: Path | None = None,
) -> tuple[Path, ...]:
    """Write what is wanted of a recording; returns the files that were written.

    Args:
        recording: The recording.
        source: Its file.
        pcapng: The frames, for a packet analyser.
        readings: A row per value that was read, for a spreadsheet.
        frames: A row per frame.
        everything: All of it as one JSON document.

    Raises:
        InputError: A file cannot be written, or is the recording itself.
    """
    wanted = tuple(file for file in (pcapng, readings, frames, everything) if file is not None)
    if any(file.exists() and file.samefile(source) for file in wanted):
        raise InputError("An export would replace the recording itself.", "Choose another name.")
    head = recording.head
    settings = [part for part in recording.timeline() if isinstance(part, LineSettings)]
    try:
        if pcapng is not None:
            with pcapng.open("wb") as out:
                heard = frames_of(recording.chunks(), head.framing)
                write_pcapng(head, heard, out, settings[-1] if settings else None)
        if readings is not None:
            # The mark tells spreadsheets the encoding.
            with readings.open("w", encoding="utf-8-sig", newline="") as text:
                write_readings_csv(recording, text)
        if frames is not None:
            with frames.open("w", encoding="utf-8", newline="") as text:
                write_csv(head, frames_of(recording.chunks(), head.framing), text)
        if everything is not None:
            with everything.open("w", encoding="utf-8") as text:
                write_json(recording, text)
    except OSError as error:
        raise InputError(
            f"The export cannot be written: {error.strerror}.",
            "Choose a folder that you may write to and that has room.",
        ) from error
    return wanted
