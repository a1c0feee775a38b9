"""What was written to devices in a visit: time, before, after, how it ended, who confirmed it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from typing import Any

from busprobe.recording.schema import RecordedEvent
from busprobe.report import content as parts
from busprobe.report.visit import Visit

KIND = "ChangeEnded"


def made_changes(visits: Iterable[Visit]) -> tuple[parts.MadeChange, ...]:
    """The changes in recordings; a change that was refused wrote nothing and is none.

    Recordings of older versions hold no such events: then nothing is told.
    """
    return tuple(change for visit in visits for change in changes_in(visit.events, visit.time))


def changes_in(
    happened: Iterable[RecordedEvent], time: Callable[[int], datetime]
) -> tuple[parts.MadeChange, ...]:
    """The changes among the events of one recording.

    Args:
        happened: The events.
        time: Wall clock at an instant [ns] of the link's clock.
    """
    return tuple(
        change
        for event in happened
        if event.kind == KIND
        and (change := _change(event.body, time(event.t_ns).isoformat("T", "seconds")))
    )


def _change(body: Mapping[str, Any], time: str) -> parts.MadeChange | None:
    """A change, or None where nothing was written or the event is damaged."""
    try:
        if body["state"] is None or not body["writes"]:
            return None
        return parts.MadeChange(
            time=time,
            device=str(body["device"]["name"]),
            serial=str(body["device"]["serial"]),
            before=_place(body["before"]),
            after=_place(body["after"]),
            state=str(body["state"]),
            text=str(body["text"]),
            confirmed_by=str(body["confirmed_by"]),
            writes=tuple(_write(one) for one in body["writes"]),
        )
    except (KeyError, TypeError, AttributeError, ValueError):
        return None


def _place(body: Mapping[str, Any]) -> str:
    return f"address {int(body['address'])}, {body['settings']}"


def _write(body: Mapping[str, Any]) -> str:
    return (
        f"exchange {int(body['exchange'])}, to address {int(body['sent_to'])}: register "
        f"{int(body['register'])} := {int(body['value'])}, {body['purpose']} ({body['outcome']})"
    )
