"""One recording, read once, and what a report needs of it."""

from __future__ import annotations

import hashlib
from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from busprobe.diagnosis.catalogue import addresses
from busprobe.model.chunk import Chunk, Direction
from busprobe.model.device import Device, Identity, ModelBlock, SunSpecMap, TurnAround
from busprobe.model.finding import Finding
from busprobe.model.line import LineSettings
from busprobe.model.reading import Snapshot
from busprobe.recording.frames import frames_of
from busprobe.recording.read import Recording, RecordingHead, open_recording
from busprobe.recording.schema import RecordedEvent, RecordedExchange
from busprobe.report.content import State

# Rates this close are understood by one device; those in use are further apart (computed with an
# independent UART model: up to 5.5 % off, and clocks within 1 %).
_CLOSE_RATES = 0.08


@dataclass(frozen=True, slots=True)
class Traffic:
    """How much crossed a link.

    Attributes:
        bytes_sent: Bytes that we sent.
        bytes_received: Bytes that we heard.
        frames: Whole frames, in either direction.
        stray_bytes: Received bytes that belong to no frame.
        end_ns: When the last of them came [ns], 0 without any.
    """

    bytes_sent: int
    bytes_received: int
    frames: int
    stray_bytes: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class Visit:
    """What a recording holds.

    Bytes stay in the file: a recording of a day holds millions of chunks.

    Attributes:
        path: The file.
        sha256: Of the file, hexadecimal.
        is_closed: Whether its program ended it in order; else its last rows are in a second file.
        state: The state of the site that it shows.
        head: What it says of itself.
        traffic: How much crossed the link.
        changes: Instants [ns] at which line settings changed, and to what.
        exchanges: All exchanges.
        findings: Findings that hold in the end.
        snapshots: All snapshots.
        events: All events.
        devices: The devices as they were known in the end, by address.
        damaged_rows: Rows that could not be read.
    """

    path: Path
    sha256: str
    is_closed: bool
    state: State
    head: RecordingHead
    traffic: Traffic
    changes: tuple[tuple[int, LineSettings], ...]
    exchanges: tuple[RecordedExchange, ...]
    findings: tuple[Finding, ...]
    snapshots: tuple[Snapshot, ...]
    events: tuple[RecordedEvent, ...]
    devices: Mapping[int, Device]
    damaged_rows: int

    @property
    def file(self) -> str:
        """Its name, without the folder."""
        return self.path.name

    @property
    def link(self) -> str:
        """The LINK argument it was made with."""
        return self.head.endpoint

    @property
    def end_ns(self) -> int:
        """The last instant of which it knows [ns]."""
        known = [self.head.started_t_ns, self.traffic.end_ns]
        known += [e.t_ns for e in self.events[-1:]]
        return max(known)

    @property
    def duration_s(self) -> float:
        """Length on the clock of the link [s]."""
        return (self.end_ns - self.head.started_t_ns) / 1e9

    def time(self, t_ns: int) -> datetime:
        """Wall clock at an instant of the link's clock."""
        return self.head.wall_clock(t_ns)

    def settings_at(self, t_ns: int) -> LineSettings | None:
        """Line settings in force at an instant."""
        at = bisect_right(self.changes, t_ns, key=lambda change: change[0])
        return self.changes[at - 1][1] if at else None

    def home_settings(self, address: int) -> LineSettings | None:
        """The settings at which a device gave its last answer.

        A device understands rates that are a little off as well, and is asked at them to tell two
        devices apart: of rates that close the one counts at which it answered most.
        """
        answered = [
            self.settings_at(exchange.t_ns)
            for exchange in self.exchanges
            if exchange.address == address and exchange.answer is not None
        ]
        if not answered or (last := answered[-1]) is None:
            return None
        close = [s for s in answered if s is not None and _are_close(s, last)]
        return Counter(close).most_common(1)[0][0]

    def at_home(self, address: int) -> Iterator[RecordedExchange]:
        """The exchanges with a device at the settings at which it answers."""
        home = self.home_settings(address)
        for exchange in self.exchanges:
            if exchange.address == address and self.settings_at(exchange.t_ns) == home:
                yield exchange

    def done(self) -> tuple[str, ...]:
        """What was done, in the words in which the program told it."""
        return tuple(str(e.body.get("intent", "")) for e in self.events if e.kind == "StepStarted")


def device_of(body: Mapping[str, Any]) -> Device:
    """The device in the body of a recorded event.

    Raises:
        ValueError: There is none.
    """
    try:
        sunspec = body["sunspec"]
        identity = body["identity"]
        return Device(
            address=int(body["address"]),
            identity=Identity(
                *(str(identity[k]) for k in ("maker", "model", "version", "serial", "source"))
            ),
            sunspec=None
            if sunspec is None
            else SunSpecMap(
                int(sunspec["base"]),
                tuple(
                    ModelBlock(int(m["model_id"]), int(m["address"]), int(m["length"]))
                    for m in sunspec["models"]
                ),
            ),
            profile=None if body["profile"] is None else str(body["profile"]),
            duplicate=body["duplicate"]
            if body["duplicate"] in ("single", "duplicate")
            else "undecided",
            turnaround=TurnAround(
                _number(body["turnaround"]["median_ms"]), _number(body["turnaround"]["p95_ms"])
            ),
            functions=tuple(int(f) for f in body["functions"]),
            phases=int(body["phases"]),
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError("no device") from error


def _number(value: object) -> float | None:
    if value is None:
        return None
    number = float(value)  # type: ignore[arg-type]
    if not abs(number) < float("inf"):
        raise ValueError("no number")
    return number


def _devices(events: tuple[RecordedEvent, ...]) -> tuple[dict[int, Device], int]:
    """The devices by address, and how many events were none."""
    found: dict[int, Device] = {}
    damaged = 0
    for event in events:
        if event.kind == "ChangeEnded":
            _move(found, event.body)
        if event.kind != "DeviceKnown":
            continue
        try:
            device = device_of(event.body)
        except ValueError:
            damaged += 1
            continue
        found[device.address] = device
    return dict(sorted(found.items())), damaged


def _move(found: dict[int, Device], body: Mapping[str, Any]) -> None:
    """A device that was given another address is no longer at its old one."""
    old, new = body.get("address"), body.get("answers_at")
    if isinstance(old, int) and isinstance(new, int) and old != new:
        found.pop(old, None)


class _Tally:
    """Counts chunks and notes changes of the settings while somebody else takes the chunks."""

    def __init__(self, recording: Recording) -> None:
        self._recording = recording
        self.changes: list[tuple[int, LineSettings]] = []
        self.sent = self.received = self.end_ns = 0

    def chunks(self) -> Iterator[Chunk]:
        """The chunks, once."""
        pending: LineSettings | None = None
        for step in self._recording.timeline():
            if isinstance(step, LineSettings):
                pending = step
                continue
            if pending is not None:
                self.changes.append((step.t_ns, pending))
                pending = None
            if step.direction is Direction.SENT:
                self.sent += len(step.data)
            else:
                self.received += len(step.data)
            self.end_ns = step.t_ns
            yield step


def _traffic(recording: Recording) -> tuple[Traffic, tuple[tuple[int, LineSettings], ...]]:
    tally = _Tally(recording)
    frames = stray = 0
    for frame in frames_of(tally.chunks(), recording.head.framing):
        if frame.role is not None:
            frames += 1
        elif frame.direction is Direction.RECEIVED:
            stray += len(frame.data)
    counted = Traffic(tally.sent, tally.received, frames, stray, tally.end_ns)
    return counted, tuple(tally.changes)


def known_devices(visits: Iterable[Visit]) -> dict[int, tuple[Visit, Device]]:
    """The devices by address as the latest recording knows them, with that recording.

    A recording that did not look for a second device does not take back what an earlier one found.
    """
    known: dict[int, tuple[Visit, Device]] = {}
    for visit in visits:
        looked = {f.address for f in visit.findings if f.code in addresses.ENTRIES}
        for address, device in visit.devices.items():
            before = known.get(address)
            if before is not None and device.duplicate == "undecided" and address not in looked:
                device = replace(device, duplicate=before[1].duplicate)
            known[address] = (visit, device)
    return known


def chunks_within(
    visit: Visit, windows: Sequence[tuple[int, int]]
) -> tuple[tuple[Chunk, ...], ...]:
    """The chunks of some spans of time, read from the file in one go.

    Args:
        visit: The recording.
        windows: First instant of each, and the first one after it [ns].
    """
    found: list[list[Chunk]] = [[] for _ in windows]
    begin, finish = min((w[0] for w in windows), default=0), max((w[1] for w in windows), default=0)
    with open_recording(visit.path) as recording:
        for chunk in recording.chunks():
            if not begin <= chunk.t_ns < finish:
                continue
            for kept, (start, end) in zip(found, windows, strict=True):
                if start <= chunk.t_ns < end:
                    kept.append(chunk)
    return tuple(map(tuple, found))


def _hash(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_visit(path: Path, state: State) -> Visit:
    """Read a recording.

    Args:
        path: The file; it is not changed.
        state: The state of the site that it shows.

    Raises:
        InputError: It is no recording that can be read.
    """
    with open_recording(path) as recording:
        traffic, changes = _traffic(recording)
        events = tuple(recording.events())
        findings = recording.findings()
        exchanges = tuple(recording.exchanges())
        snapshots = tuple(recording.snapshots())
        devices, damaged = _devices(events)
        head, damaged = recording.head, damaged + recording.damaged_rows
    wal = path.with_name(path.name + "-wal")
    return Visit(
        path=path,
        sha256=_hash(path),
        is_closed=not (wal.is_file() and wal.stat().st_size),
        state=state,
        head=head,
        traffic=traffic,
        changes=changes,
        exchanges=exchanges,
        findings=findings,
        snapshots=snapshots,
        events=events,
        devices=devices,
        damaged_rows=damaged,
    )


def _are_close(one: LineSettings, other: LineSettings) -> bool:
    """Whether a device that is set to one of them may understand the other."""
    same_format = (one.parity, one.stop_bits) == (other.parity, other.stop_bits)
    return same_format and abs(one.baud - other.baud) <= _CLOSE_RATES * other.baud
