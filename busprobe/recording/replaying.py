"""From the LINK argument `replay:FILE` to a link, and to what people did meanwhile."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from busprobe.link.base import Framing
from busprobe.link.line_errors import LineErrors
from busprobe.link.replay import LinkPast, ReplayLink
from busprobe.model.errors import BusprobeError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.recording.past import Past, handworks
from busprobe.recording.read import RecordingHead, open_recording
from busprobe.recording.schema import RecordedEvent, settings_of

# Kinds of events that the link itself is told of.
ARRIVAL, REFUSED, ERRORS = "Arrival", "SettingsRefused", "LineErrors"


def settings_body(settings: LineSettings | None) -> dict[str, Any]:
    """Line settings in the body of an event."""
    if settings is None:
        return {}
    return {
        "baud": settings.baud,
        "parity": settings.parity.value,
        "stop_bits": settings.stop_bits,
    }


def _settings(body: Mapping[str, Any]) -> LineSettings | None:
    if "baud" not in body:
        return None
    return settings_of((body["baud"], body["parity"], body["stop_bits"]))


def _errors(body: Mapping[str, Any]) -> LineErrors:
    counted = [body[name] for name in ("framing", "parity", "overrun", "breaks")]
    if not all(isinstance(count, int) for count in counted):
        raise ValueError("no counters")
    return LineErrors(*counted)


def _link_past(
    head: RecordingHead, first: LineSettings | None, events: Iterable[RecordedEvent]
) -> LinkPast:
    arrival: dict[LineSettings | None, int] = {}
    refused: set[LineSettings] = set()
    errors: list[tuple[int, LineErrors]] = []
    for event in events:
        try:
            if event.kind == ARRIVAL:
                arrival[_settings(event.body)] = max(0, int(event.body["uncertainty_ns"]))
            elif event.kind == REFUSED:
                settings = _settings(event.body)
                if settings is not None:
                    refused.add(settings)
            elif event.kind == ERRORS:
                errors.append((event.t_ns, _errors(event.body)))
        except (KeyError, TypeError, ValueError, BusprobeError):
            continue
    errors.sort(key=lambda read: read[0])
    return LinkPast(
        _kind(head),
        head.started_t_ns,
        first,
        head.arrival_uncertainty_ns,
        arrival,
        frozenset(refused),
        errors,
    )


def open_replay(endpoint: Endpoint) -> tuple[ReplayLink, Past]:
    """Open a recording as a link in virtual time.

    Args:
        endpoint: Its target is the file.

    Returns:
        The link, and what people did while the recording was made.

    Raises:
        InputError: The file is no recording that can be read.
    """
    with open_recording(Path(endpoint.target)) as recording:
        head = recording.head
        events = tuple(recording.events())
        link = ReplayLink(
            endpoint,
            recording.whole_timeline(),
            Framing(head.framing),
            _link_past(head, recording.first_settings(), events),
        )
        return link, Past(head, handworks(events))


def kind_behind(endpoint: Endpoint) -> LinkKind:
    """By what kind of link the bytes travel, or travelled where they come from a recording.

    Raises:
        InputError: The file is no recording that can be read.
    """
    if endpoint.kind is not LinkKind.REPLAY:
        return endpoint.kind
    with open_recording(Path(endpoint.target)) as recording:
        return _kind(recording.head)


def _kind(head: RecordingHead) -> LinkKind:
    if head.kind is not LinkKind.REPLAY:
        return head.kind
    # Recorded while it was replayed: the framing is all that is left of the first link.
    return LinkKind.TCP if Framing(head.framing) is Framing.MBAP else LinkKind.SERIAL
