"""Keeps what a job hears, finds and asks in a recording: evidence is the product."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path

from busprobe import __version__
from busprobe.link.base import Link
from busprobe.recording.store import Recorder, create_recording
from busprobe.session import events

SUFFIX = ".busprobe"


def begin_recording(path: Path, link: Link) -> Recorder:
    """Begin a recording of a link that was just opened.

    Raises:
        InputError: The file exists or cannot be made.
    """
    recorder = create_recording(
        path,
        endpoint=link.endpoint,
        framing=link.framing.value,
        version=__version__,
        started=datetime.datetime.now().astimezone(),
        started_t_ns=link.now(),
        arrival_uncertainty_ns=link.arrival_uncertainty_ns,
    )
    if link.settings is not None:
        recorder.settings(link.now(), link.settings)
    return recorder


def new_name(folder: Path, now: datetime.datetime) -> Path:
    """A name for a recording that begins now; the folder is made when it is missing."""
    folder.mkdir(parents=True, exist_ok=True)
    stem = now.strftime("%Y-%m-%d_%H%M%S")
    path = folder / f"{stem}{SUFFIX}"
    number = 1
    while path.exists():
        number += 1
        path = folder / f"{stem}_{number}{SUFFIX}"
    return path


def keep_event(recorder: Recorder, t_ns: int, event: events.Event) -> None:
    """Keep what was done and found; chunks and exchanges come from the bus itself."""
    match event:
        case events.FindingRaised(finding):
            recorder.finding(t_ns, finding)
        case events.ReadingsTaken(snapshot, readings):
            recorder.snapshot(snapshot)
            recorder.readings(t_ns, snapshot.address, readings)
        case events.SettingsFound(settings):
            recorder.settings(t_ns, settings)
        case (
            events.StepStarted()
            | events.StepFinished()
            | events.OperatorAsked()
            | events.FindingCleared()
            | events.CheckMade()
            | events.WiringSeen()
            | events.BalanceSeen()
        ):
            recorder.event(t_ns, type(event).__name__, dataclasses.asdict(event))
        case events.DeviceKnown(device):
            recorder.event(t_ns, "DeviceKnown", dataclasses.asdict(device))
        case _:
            pass
