"""Keeps what a job hears, finds and asks in a recording: evidence is the product."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path
from typing import Any

from busprobe import __version__
from busprobe.bus.bus import Bus
from busprobe.link.base import Link
from busprobe.link.line_errors import LineErrors
from busprobe.model.line import LineSettings
from busprobe.recording.replaying import ARRIVAL, ERRORS, REFUSED, settings_body
from busprobe.recording.store import MOST_BYTES, Recorder, create_recording
from busprobe.session import events

SUFFIX = ".busprobe"


def begin_recording(path: Path, link: Link, most_bytes: int = MOST_BYTES) -> Recorder:
    """Begin a recording of a link that was just opened.

    Args:
        path: The file; it must not exist.
        link: The link.
        most_bytes: Size that the file may reach [byte].

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
        most_bytes=most_bytes,
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


def recordings_in(folder: Path, most: int = 8) -> tuple[tuple[str, str], ...]:
    """File and title of the newest recordings of a folder; none where it cannot be read."""
    found = []
    try:
        for path in folder.glob(f"*{SUFFIX}"):
            found.append((path.stat().st_mtime, path))
    except OSError:
        return ()
    newest = sorted(found, reverse=True)[:most]
    return tuple(
        (
            str(path),
            f"a visit of {datetime.datetime.fromtimestamp(when).astimezone():%Y-%m-%d %H:%M}",
        )
        for when, path in newest
    )


def keep_bus(recorder: Recorder, bus: Bus) -> None:
    """Keep all that a bus gives, takes and is refused, and every leap of its clock."""
    last: LineErrors | None = None
    link = bus.link

    def arrival() -> None:
        body = settings_body(link.settings)
        body["uncertainty_ns"] = link.arrival_uncertainty_ns
        recorder.event(bus.now(), ARRIVAL, body)

    def changed(settings: LineSettings) -> None:
        recorder.settings(bus.now(), settings)
        arrival()

    def counted(errors: LineErrors) -> None:
        nonlocal last
        if errors != last:
            last = errors
            recorder.event(bus.now(), ERRORS, dataclasses.asdict(errors))

    bus.start_at(recorder.started_t_ns)
    arrival()
    bus.on_chunk = recorder.chunk
    bus.on_moment = recorder.moment
    bus.on_settings = changed
    bus.on_refused = lambda settings: recorder.event(bus.now(), REFUSED, settings_body(settings))
    bus.on_errors = counted


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
            | events.OperatorAnswered()
            | events.HandworkBegun()
            | events.FindingCleared()
            | events.CheckMade()
            | events.WiringSeen()
            | events.BalanceSeen()
            | events.BenchSeen()
        ):
            recorder.event(t_ns, type(event).__name__, dataclasses.asdict(event))
        case events.SeparationSeen(stage, text):
            recorder.event(t_ns, "SeparationSeen", {"stage": stage.value, "text": text})
        case events.SeparationEnded(result):
            meters = [
                {
                    "address": meter.device.address,
                    "serial": meter.device.identity.serial,
                    "changed": meter.changed,
                    "label": meter.label,
                }
                for meter in result.meters
            ]
            body = {"stage": result.stage.value, "text": result.text, "address": result.address}
            recorder.event(t_ns, "SeparationEnded", {**body, "meters": meters})
        case events.ChangeEnded():
            recorder.event(t_ns, "ChangeEnded", change_body(event))
        case events.DeviceKnown(device):
            recorder.event(t_ns, "DeviceKnown", dataclasses.asdict(device))
        case _:
            pass


def change_body(event: events.ChangeEnded) -> dict[str, Any]:
    """A change of address or settings as plain JSON: before, after, what was written, by whom."""
    plan, result = event.plan, event.result
    body: dict[str, Any] = {
        "address": event.address,
        "confirmed_by": event.confirmed_by,
        "refusal": event.refusal,
        "device": None,
        "before": None,
        "after": None,
        "state": None,
        "answers_at": None,
        "answers_settings": None,
        "text": "",
        "writes": [],
    }
    if plan is not None:
        body |= {
            "device": {
                "name": str(plan.device.identity),
                "serial": plan.device.identity.serial,
                "profile": plan.profile,
            },
            "before": {"address": plan.device.address, "settings": str(plan.settings)},
            "after": {"address": plan.new_address, "settings": str(plan.new_settings)},
        }
    if result is not None:
        body |= {
            "state": result.state.value,
            "answers_at": result.address,
            "answers_settings": None if result.settings is None else str(result.settings),
            "text": result.text,
            "writes": [
                {
                    "exchange": made.exchange,
                    "sent_to": made.address,
                    "register": made.write.register,
                    "value": made.write.value,
                    "before": made.write.before,
                    "purpose": made.write.purpose,
                    "outcome": made.outcome,
                }
                for made in result.written
            ],
        }
    return body
