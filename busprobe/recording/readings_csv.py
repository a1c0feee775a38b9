"""The readings of a recording as a table for a spreadsheet: one row per value.

Text of devices is data in a spreadsheet too: what a program would take for a formula is prefixed
with an apostrophe (OWASP, CSV Injection: a leading = + - @, tab or carriage return; full-width
forms of the signs as well).
"""

from __future__ import annotations

import csv
import heapq
import re
from collections.abc import Iterator
from typing import TextIO

from busprobe.model.reading import PHASES, Reading, ReadingState, SignConvention, Snapshot
from busprobe.recording.read import Recording

COLUMNS = (
    "time", "line", "address", "serial", "quantity", "phase", "value", "unit", "quality", "source",
)  # fmt: skip
METER, MAP = "meter", "register map"
SIGN_UNKNOWN = "sign unknown"

_FORMULA = re.compile("[=+\\-@\t\r\n\uff1d\uff0b\uff0d\uff20]")
_UNITS = {
    "V": "V", "I": "A", "P": "W", "Q": "var", "S": "VA", "PF": "1", "F": "Hz",
    "E_import": "Wh", "E_export": "Wh", "Eq_import": "varh", "Eq_export": "varh",
}  # fmt: skip
# The sign convention of a meter says what these mean.
_SIGNED = ("P", "Q", "PF", "E_import", "E_export", "Eq_import", "Eq_export")
_PAIRS = ("L1L2", "L2L3", "L3L1")

Row = tuple[object, ...]


def cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula."""
    return f"'{text}" if _FORMULA.match(text.lstrip(" ")) else text


def split_name(name: str) -> tuple[str, str]:
    """Quantity and phase in the name of a uniform quantity; no phase for a sum."""
    quantity, _, phase = name.rpartition("_")
    return (quantity, phase) if phase in (*PHASES, *_PAIRS) else (name, "")


def _snapshot_rows(recording: Recording) -> Iterator[tuple[int, int, list[Row]]]:
    for one in recording.snapshots():
        yield one.t_ns, one.address, [_uniform(one, name) for name in one.quantities]


def _uniform(snapshot: Snapshot, name: str) -> Row:
    quantity, phase = split_name(name)
    unsure = snapshot.sign is SignConvention.UNKNOWN and quantity in _SIGNED
    quality = SIGN_UNKNOWN if unsure else ReadingState.OK.value
    value = snapshot.quantities[name]
    return (cell(quantity), cell(phase), value, _UNITS.get(quantity, ""), quality, METER)


def _reading_rows(recording: Recording) -> Iterator[tuple[int, int, list[Row]]]:
    for t_ns, address, reading in recording.readings():
        yield t_ns, address, [_point(reading)]


def _point(reading: Reading) -> Row:
    value: object = "" if reading.value is None else reading.value
    if isinstance(value, str):
        value = cell(value)
    return (cell(reading.name), "", value, cell(reading.unit), reading.state.value, MAP)


def _serials(recording: Recording) -> Iterator[tuple[int, int, str]]:
    """When which device was known by which serial number."""
    for event in recording.events():
        body = event.body
        identity, address = body.get("identity"), body.get("address")
        if event.kind == "DeviceKnown" and isinstance(identity, dict) and type(address) is int:
            yield event.t_ns, address, str(identity.get("serial", ""))


def write_readings_csv(recording: Recording, out: TextIO) -> int:
    """Write one row per value that was read, in the order of time.

    The source "meter" marks quantities in uniform terms, signed as the meter signs them; "register
    map" marks the points that they came from, by the names of the map.

    Args:
        recording: The recording.
        out: A text file opened with ``newline=""``; with a byte order mark a spreadsheet knows the
            encoding.

    Returns:
        Rows written, without the heading.
    """
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    head = recording.head
    known = sorted(_serials(recording), key=lambda s: s[0])
    by_address: dict[int, str] = {}
    # A serial number read a moment after the first values is that of the same device.
    for _, address, serial in reversed(known):
        by_address[address] = serial or by_address.get(address, "")
    at = count = 0
    merged = heapq.merge(
        _snapshot_rows(recording), _reading_rows(recording), key=lambda step: step[0]
    )
    for t_ns, address, rows in merged:
        while at < len(known) and known[at][0] <= t_ns:
            by_address[known[at][1]] = known[at][2] or by_address.get(known[at][1], "")
            at += 1
        when = head.wall_clock(t_ns).isoformat(timespec="milliseconds")
        place = (when, cell(head.endpoint), address, cell(by_address.get(address, "")))
        for row in rows:
            writer.writerow((*place, *row))
            count += 1
    return count
