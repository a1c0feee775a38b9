"""From the LINK argument `replay:FILE` to a link."""

from __future__ import annotations

from pathlib import Path

from busprobe.link.base import Framing
from busprobe.link.replay import ReplayLink
from busprobe.model.line import Endpoint
from busprobe.recording.read import open_recording


def open_replay(endpoint: Endpoint) -> ReplayLink:
    """Open a recording as a link in virtual time.

    Args:
        endpoint: Its target is the file.

    Raises:
        InputError: The file is no recording that can be read.
    """
    with open_recording(Path(endpoint.target)) as recording:
        head = recording.head
        return ReplayLink(
            endpoint,
            recording.timeline(),
            Framing(head.framing),
            head.arrival_uncertainty_ns,
        )
