"""The tables of a recording, and how values become rows and rows values again.

A recording is one SQLite file. The chunks are the evidence, in the order in which they were
noticed; everything else (exchanges, findings, readings, events) is kept so that it can be shown
without deriving it again. Times are nanoseconds on the clock of the link; `meta` holds one anchor
that ties that clock to the wall clock.

Everything read from a file is taken for untrusted: a file may be damaged, or made by someone else.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from busprobe.model.chunk import Chunk, Direction, Mark, Moment
from busprobe.model.device_text import visible
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.model.line import LineSettings, Parity
from busprobe.model.reading import Reading, ReadingState, SignConvention, Snapshot

# "BPrb" in ASCII: tells our files from other SQLite files.
APPLICATION_ID = 0x42507262
# Raised when a program of the earlier number could not read a file any more.
SCHEMA_VERSION = 2
# Format 1 had no leaps of the clock; all else is the same.
READABLE_VERSIONS = (1, 2)
# The direction of a row of `chunk` that is a leap of the clock.
_MOMENT = "moment"

# Texts in a recording are sentences, not books.
_LONGEST_TEXT = 4_000

TABLES = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID",
    """CREATE TABLE line (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, baud INTEGER NOT NULL,
        parity TEXT NOT NULL, stop_bits INTEGER NOT NULL) STRICT""",
    """CREATE TABLE chunk (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, direction TEXT NOT NULL,
        data BLOB NOT NULL, uncertainty_ns INTEGER NOT NULL, marks TEXT,
        line INTEGER REFERENCES line (id)) STRICT""",
    """CREATE TABLE exchange (
        id INTEGER PRIMARY KEY, number INTEGER NOT NULL, t_ns INTEGER NOT NULL,
        address INTEGER NOT NULL, request BLOB NOT NULL, outcome TEXT NOT NULL, answer BLOB,
        echo INTEGER NOT NULL, turnaround_ns INTEGER, turnaround_uncertainty_ns INTEGER NOT NULL,
        listened_ns INTEGER NOT NULL) STRICT""",
    """CREATE TABLE finding (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, body TEXT NOT NULL) STRICT""",
    """CREATE TABLE reading (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, address INTEGER NOT NULL,
        body TEXT NOT NULL) STRICT""",
    """CREATE TABLE snapshot (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, address INTEGER NOT NULL,
        sign TEXT NOT NULL, quantities TEXT NOT NULL) STRICT""",
    """CREATE TABLE event (
        id INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL,
        body TEXT NOT NULL) STRICT""",
)
TABLE_NAMES = ("meta", "line", "chunk", "exchange", "finding", "reading", "snapshot", "event")

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class RecordedExchange:
    """An exchange as it is shown; its bytes are in the chunks.

    Attributes:
        number: Number that findings cite.
        t_ns: When its request left [ns].
        address: Address asked.
        request: Request PDU.
        outcome: What came of it.
        answer: Response PDU, or None.
        echo: Whether the request came back first.
        turnaround_ns: End of request to first byte [ns], or None.
        turnaround_uncertainty_ns: How much less that may have been [ns].
        listened_ns: How long the bus listened [ns].
    """

    number: int
    t_ns: int
    address: int
    request: bytes
    outcome: Outcome
    answer: bytes | None
    echo: bool
    turnaround_ns: int | None
    turnaround_uncertainty_ns: int
    listened_ns: int


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """Something that happened beside the bus.

    Attributes:
        t_ns: When [ns].
        kind: What, in one word.
        body: Particulars.
    """

    t_ns: int
    kind: str
    body: Mapping[str, Any]


def to_json(value: Any) -> str:
    """JSON in one fixed form, pure ASCII; numbers that JSON does not know are refused."""
    return json.dumps(value, sort_keys=True, allow_nan=False)


def _require(kind: Any, *values: object) -> None:
    """Refuse values of another kind: a file made by someone else need not keep to the schema."""
    for value in values:
        if not isinstance(value, kind):
            raise ValueError(f"{value!r} is out of place")


def _safe(text: object) -> str:
    return visible(str(text), _LONGEST_TEXT)


def chunk_row(chunk: Chunk, line: int | None) -> Row:
    """A chunk as a row of `chunk`, without its id."""
    marks = None if chunk.marks is None else "".join(chunk.marks)
    return (
        chunk.t_ns,
        chunk.direction.value,
        chunk.data,
        chunk.uncertainty_ns,
        marks,
        line,
    )


def chunk_of(row: Row) -> Chunk:
    """The chunk in (t_ns, direction, data, uncertainty_ns, marks).

    Raises:
        ValueError: The row is no chunk.
    """
    t_ns, direction, data, uncertainty_ns, marks = row
    _require(int, t_ns, uncertainty_ns)
    _require(bytes, data)
    kept = None if marks is None else tuple(Mark(mark) for mark in marks)
    if kept is not None and len(kept) != len(data):
        raise ValueError("marks do not fit the data")
    return Chunk(Direction(direction), t_ns, data, uncertainty_ns, kept)


def moment_row(moment: Moment, line: int | None) -> Row:
    """A leap of the clock as a row of `chunk`, without its id; its size is the uncertainty."""
    return (moment.t_ns, _MOMENT, b"", moment.leap_ns, None, line)


def step_of(row: Row) -> Chunk | Moment:
    """The chunk or the leap of the clock in (t_ns, direction, data, uncertainty_ns, marks).

    Raises:
        ValueError: The row is neither.
    """
    if row[1] != _MOMENT:
        return chunk_of(row)
    _require(int, row[0], row[3])
    return Moment(row[0], row[3])


def settings_of(row: Row) -> LineSettings:
    """The settings in (baud, parity, stop_bits).

    Raises:
        ValueError: The row holds no settings.
        InputError: The settings are impossible.
    """
    baud, parity, stop_bits = row
    _require(int, baud, stop_bits)
    return LineSettings(baud, Parity(parity), stop_bits)


def exchange_row(exchange: Exchange) -> Row:
    """An exchange as a row of `exchange`, without its id."""
    return (
        exchange.number,
        exchange.request.t_start_ns,
        exchange.request.address,
        exchange.request.pdu,
        exchange.outcome.value,
        None if exchange.answer is None else exchange.answer.pdu,
        int(exchange.echo),
        exchange.turnaround_ns,
        exchange.turnaround_uncertainty_ns,
        exchange.listened_ns,
    )


def exchange_of(row: Row) -> RecordedExchange:
    """The exchange in the columns of `exchange` without id.

    Raises:
        ValueError: The row is no exchange.
    """
    number, t_ns, address, request, outcome, answer, echo, turnaround, uncertainty, listened = row
    _require(int, number, t_ns, address, uncertainty, listened)
    _require(int | None, turnaround)
    _require(bytes, request)
    _require(bytes | None, answer)
    return RecordedExchange(
        number,
        t_ns,
        address,
        request,
        Outcome(outcome),
        answer,
        bool(echo),
        turnaround,
        uncertainty,
        listened,
    )


def finding_body(finding: Finding) -> str:
    """A finding as JSON."""
    return to_json(asdict(finding))


def finding_of(body: str) -> Finding:
    """The finding in JSON, its texts made safe.

    Raises:
        ValueError: The JSON holds no finding.
    """
    try:
        raw = json.loads(body)
        return Finding(
            code=_safe(raw["code"]),
            severity=Severity(raw["severity"]),
            address=None if raw["address"] is None else int(raw["address"]),
            device=None if raw["device"] is None else _safe(raw["device"]),
            summary=_safe(raw["summary"]),
            cause=_safe(raw["cause"]),
            probability=float(raw["probability"]),
            evidence=tuple(
                Evidence(
                    None if one["exchange"] is None else int(one["exchange"]), _safe(one["text"])
                )
                for one in raw["evidence"]
            ),
            remedy=_safe(raw["remedy"]),
            caution=None if raw["caution"] is None else _safe(raw["caution"]),
        )
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"no finding: {error}") from error


def reading_body(reading: Reading) -> str:
    """A reading as JSON; a value that is no finite number is kept as text."""
    raw = asdict(reading)
    value = raw["value"]
    if isinstance(value, float) and not abs(value) < float("inf"):
        raw["value"] = str(value)
    return to_json(raw)


def reading_of(body: str) -> Reading:
    """The reading in JSON, its texts made safe.

    Raises:
        ValueError: The JSON holds no reading.
    """
    try:
        raw = json.loads(body)
        value = raw["value"]
        if not (value is None or type(value) in (int, float, str)):
            raise ValueError("no value")
        return Reading(
            name=_safe(raw["name"]),
            value=_safe(value) if isinstance(value, str) else value,
            unit=_safe(raw["unit"]),
            raw=tuple(int(register) for register in raw["raw"]),
            state=ReadingState(raw["state"]),
            note=_safe(raw["note"]),
        )
    except (KeyError, TypeError, RecursionError) as error:
        raise ValueError(f"no reading: {error}") from error


def snapshot_row(snapshot: Snapshot) -> Row:
    """A snapshot as a row of `snapshot`, without its id; what is no finite number is left out."""
    finite = {
        name: value
        for name, value in snapshot.quantities.items()
        if abs(value) < float("inf")  # false for NaN too
    }
    return (snapshot.t_ns, snapshot.address, snapshot.sign.value, to_json(finite))


def snapshot_of(row: Row) -> Snapshot:
    """The snapshot in (t_ns, address, sign, quantities).

    Raises:
        ValueError: The row is no snapshot.
    """
    t_ns, address, sign, quantities = row
    _require(int, t_ns, address)
    _require(str, quantities)
    try:
        values = {_safe(name): float(value) for name, value in json.loads(quantities).items()}
    except (AttributeError, TypeError, RecursionError) as error:
        raise ValueError(f"no snapshot: {error}") from error
    return Snapshot(t_ns, address, values, SignConvention(sign))


def event_of(row: Row) -> RecordedEvent:
    """The event in (t_ns, kind, body).

    Raises:
        ValueError: The row is no event.
    """
    t_ns, kind, body = row
    _require(int, t_ns)
    _require(str, kind, body)
    try:
        raw = json.loads(body)
    except RecursionError as error:
        raise ValueError("no event") from error
    if not isinstance(raw, dict):
        raise ValueError("no event")
    return RecordedEvent(t_ns, _safe(kind), raw)
