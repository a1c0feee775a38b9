"""Recordings as other programs take them: CSV of frames, and one JSON document of everything."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any, TextIO

from busprobe.model.chunk import Chunk
from busprobe.recording.frames import RecordedFrame
from busprobe.recording.read import Recording, RecordingHead

JSON_SCHEMA = "busprobe-recording/1"
_COLUMNS = (
    "time", "t_s", "uncertainty_ms", "direction", "role", "address", "function", "hex",
)  # fmt: skip


def write_csv(head: RecordingHead, frames: Iterable[RecordedFrame], out: TextIO) -> int:
    """Write one row per frame; text of devices is not in it, only bytes in hexadecimal.

    Args:
        head: What the recording says of itself.
        frames: The frames.
        out: A text file opened with ``newline=""``.

    Returns:
        Rows written, without the heading.
    """
    writer = csv.writer(out)
    writer.writerow(_COLUMNS)
    count = 0
    for frame in frames:
        writer.writerow(
            (
                head.wall_clock(frame.t_ns).isoformat(timespec="microseconds"),
                f"{(frame.t_ns - head.started_t_ns) / 1e9:.6f}",
                f"{frame.uncertainty_ns / 1e6:.3f}",
                frame.direction.value,
                frame.role.value if frame.role is not None else "none",
                "" if frame.address is None else frame.address,
                f"{frame.pdu[0]:02X}" if frame.pdu else "",
                frame.data.hex().upper(),
            )
        )
        count += 1
    return count


def _chunk(chunk: Chunk, head: RecordingHead) -> dict[str, Any]:
    return {
        "t_ns": chunk.t_ns - head.started_t_ns,
        "direction": chunk.direction.value,
        "hex": chunk.data.hex().upper(),
        "uncertainty_ns": chunk.uncertainty_ns,
        "marks": None if chunk.marks is None else "".join(chunk.marks),
    }


def write_json(recording: Recording, out: TextIO) -> None:
    """Write one JSON document with all that the recording holds; times count from its beginning."""
    head = recording.head
    zero = head.started_t_ns
    timeline: list[dict[str, Any]] = [
        {"chunk": _chunk(step, head)}
        if isinstance(step, Chunk)
        else {
            "settings": {
                "baud": step.baud,
                "parity": step.parity.value,
                "stop_bits": step.stop_bits,
            }
        }
        for step in recording.timeline()
    ]
    exchanges = [
        {
            "number": one.number,
            "t_ns": one.t_ns - zero,
            "address": one.address,
            "request": one.request.hex().upper(),
            "outcome": one.outcome.value,
            "answer": None if one.answer is None else one.answer.hex().upper(),
            "echo": one.echo,
            "turnaround_ns": one.turnaround_ns,
            "turnaround_uncertainty_ns": one.turnaround_uncertainty_ns,
            "listened_ns": one.listened_ns,
        }
        for one in recording.exchanges()
    ]
    document = {
        "schema": JSON_SCHEMA,
        "version": head.version,
        "started": head.started.isoformat(),
        "link": {"argument": head.endpoint, "kind": head.kind.value, "framing": head.framing},
        "timeline": timeline,
        "exchanges": exchanges,
        "findings": [asdict(finding) for finding in recording.findings()],
        "readings": [
            {"t_ns": t_ns - zero, "address": address, **asdict(reading)}
            for t_ns, address, reading in recording.readings()
        ],
        "snapshots": [
            {
                "t_ns": one.t_ns - zero,
                "address": one.address,
                "sign": one.sign.value,
                "quantities": dict(one.quantities),
            }
            for one in recording.snapshots()
        ],
        "events": [
            {"t_ns": one.t_ns - zero, "kind": one.kind, "body": dict(one.body)}
            for one in recording.events()
        ],
        "damaged_rows": recording.damaged_rows,
    }
    json.dump(document, out, allow_nan=False)
    out.write("\n")
