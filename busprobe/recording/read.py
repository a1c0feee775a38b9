"""Reading a recording: read-only, distrustful, and saving what can be saved.

A recording may come from a stick, from a mail or from a computer that died. So:

- What is no recording of ours is refused with a sentence that says so.
- The file is never changed. A recording whose program was killed keeps its last rows in a second
  file (-wal); both are copied away and read there, because reading them in place would write. So
  is a file that was cut.
- Where pages are damaged, what is before and behind them is read and the damage is counted.
- Every row is checked; what is no value of ours is counted and left out.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from busprobe.model.chunk import Chunk, Moment
from busprobe.model.device_text import visible
from busprobe.model.errors import BusprobeError, InputError
from busprobe.model.finding import Finding
from busprobe.model.line import LineSettings, LinkKind
from busprobe.model.reading import Reading, Snapshot
from busprobe.recording import schema

_BATCH = 500
# Rows that are tried one by one behind a damaged place before the rest is given up: more than a
# page holds, so that a single damaged page is passed.
_MOST_TRIED = 20_000
# No value of ours is longer; a crafted file shall not fill the memory.
_LONGEST_VALUE = 16 << 20

# What reading a damaged file raises; sqlite3 decodes even the text of its errors, which may quote
# damaged names.
_DAMAGE = (sqlite3.Error, UnicodeDecodeError)

ValueT = TypeVar("ValueT")

_NO_RECORDING = "is not a recording, or its beginning is destroyed."
_ASK_AGAIN = "Give a recording made by this program; ask for the file again if it was sent."

# SQLite file format, section 1.3.
_HEADER = 100
_MAGIC = b"SQLite format 3\0"
# The tables of a recording begin on its first pages; there are fewer than these.
_FIRST_PAGES = 32


@dataclass(frozen=True, slots=True)
class Cut:
    """A file whose end is missing.

    Attributes:
        size: What is there [byte].
        whole: How long it was, by its header [byte].
        page_size: Length of its pages [byte].
    """

    size: int
    whole: int
    page_size: int


@dataclass(frozen=True, slots=True)
class RecordingHead:
    """What a recording says of itself.

    Attributes:
        endpoint: The LINK argument it was made with, safe to show.
        kind: Kind of that link.
        framing: "rtu" or "mbap".
        version: Version of the program that made it, safe to show.
        started: Wall clock at its beginning.
        started_t_ns: Clock of the link at its beginning [ns].
        arrival_uncertainty_ns: How late the link could stamp a received byte at its beginning [ns].
    """

    endpoint: str
    kind: LinkKind
    framing: str
    version: str
    started: datetime
    started_t_ns: int
    arrival_uncertainty_ns: int

    def wall_clock(self, t_ns: int) -> datetime:
        """Wall clock at an instant of the link's clock, to the microsecond."""
        return self.started + timedelta(microseconds=(t_ns - self.started_t_ns) / 1000)


class Recording:
    """An open recording; use it as a context manager.

    Attributes:
        head: What it says of itself.
        cut: What is missing at its end, None where it is whole.
        damaged_rows: Rows that were unreadable or no values of ours, among those read so far.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        head: RecordingHead,
        copied_to: Path | None,
        cut: Cut | None = None,
    ) -> None:
        self.cut = cut
        self._connection = connection
        self._copied_to = copied_to
        self.head = head
        self.damaged_rows = 0

    def __enter__(self) -> Recording:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Release the file."""
        self._connection.close()
        if self._copied_to is not None:
            shutil.rmtree(self._copied_to, ignore_errors=True)

    def timeline(self) -> Iterator[LineSettings | Chunk]:
        """Chunks in the order noticed, and the settings before the first that they hold for."""
        return (step for step in self.whole_timeline() if not isinstance(step, Moment))

    def first_settings(self) -> LineSettings | None:
        """The line settings at the beginning, None where the link had none."""
        rows = self._values(
            "line", "baud, parity, stop_bits", lambda row: schema.settings_of(row[1:])
        )
        return next(rows, None)

    def whole_timeline(self) -> Iterator[LineSettings | Chunk | Moment]:
        """The timeline with the leaps of the clock in it."""
        lines = dict(
            self._values(
                "line", "baud, parity, stop_bits", lambda row: (row[0], schema.settings_of(row[1:]))
            )
        )
        now: int | None = None
        rows = self._values(
            "chunk",
            "t_ns, direction, data, uncertainty_ns, marks, line",
            lambda row: (schema.step_of(row[1:6]), row[6]),
        )
        for step, line in rows:
            if line != now and line in lines:
                yield lines[line]
            now = line
            yield step

    def chunks(self) -> Iterator[Chunk]:
        """All chunks in the order noticed."""
        return (step for step in self.timeline() if isinstance(step, Chunk))

    def exchanges(self) -> Iterator[schema.RecordedExchange]:
        """All exchanges in order."""
        columns = (
            "number, t_ns, address, request, outcome, answer, echo, turnaround_ns, "
            "turnaround_uncertainty_ns, listened_ns"
        )
        return self._values("exchange", columns, lambda row: schema.exchange_of(row[1:]))

    def findings(self) -> tuple[Finding, ...]:
        """The findings that hold in the end, in the order in which they were first raised."""
        cleared: dict[tuple[object, object], int] = {}
        damaged = self.damaged_rows
        for event in self.events():
            code, address = event.body.get("code"), event.body.get("address")
            known = isinstance(code, str) and isinstance(address, int | None)
            if event.kind == "FindingCleared" and known:
                cleared[code, address] = event.t_ns
        # Damaged events are counted where they are asked for, not here.
        self.damaged_rows = damaged
        last: dict[tuple[str, int | None], tuple[int, Finding]] = {}
        timed = self._values(
            "finding", "t_ns, body", lambda row: (int(row[1]), schema.finding_of(row[2]))
        )
        for t_ns, finding in timed:
            last[finding.code, finding.address] = (t_ns, finding)
        return tuple(f for key, (t_ns, f) in last.items() if t_ns >= cleared.get(key, t_ns))

    def readings(self) -> Iterator[tuple[int, int, Reading]]:
        """Time [ns], address and reading, in order."""
        return self._values(
            "reading",
            "t_ns, address, body",
            lambda row: (int(row[1]), int(row[2]), schema.reading_of(row[3])),
        )

    def snapshots(self) -> Iterator[Snapshot]:
        """All snapshots in order."""
        return self._values(
            "snapshot", "t_ns, address, sign, quantities", lambda row: schema.snapshot_of(row[1:])
        )

    def events(self) -> Iterator[schema.RecordedEvent]:
        """All events in order."""
        return self._values("event", "t_ns, kind, body", lambda row: schema.event_of(row[1:]))

    def _values(
        self, table: str, columns: str, make: Callable[[schema.Row], ValueT]
    ) -> Iterator[ValueT]:
        for row in self._rows(table, columns):
            try:
                value = make(row)
            except (ValueError, TypeError, BusprobeError):
                self.damaged_rows += 1
                continue
            yield value

    def _rows(self, table: str, columns: str) -> Iterator[schema.Row]:
        # Table and columns are constants of this module, never text from a file.
        query = f"SELECT rowid, {columns} FROM {table} WHERE rowid > ? ORDER BY rowid LIMIT ?"  # noqa: S608
        last, batch, tried = 0, _BATCH, 0
        while True:
            try:
                rows = self._connection.execute(query, (last, batch)).fetchall()
            except _DAMAGE:
                if batch > 1:
                    batch = 1
                    continue
                # The row behind `last` cannot be read; the next one may be on a sound page.
                last, tried = last + 1, tried + 1
                self.damaged_rows += 1
                if tried > _MOST_TRIED:
                    # How many rows are lost there nobody knows: they count as one.
                    self.damaged_rows -= tried - 1
                    return
                continue
            if not rows:
                return
            yield from rows
            last, tried = rows[-1][0], 0
            batch = min(_BATCH, batch * 2)


def _refusal(path: Path, cause: str, next_step: str) -> InputError:
    return InputError(f"{visible(str(path))} {cause}", next_step)


def _connect(path: Path, *, immutable: bool) -> sqlite3.Connection:
    options = "mode=ro&immutable=1" if immutable else "mode=rw"
    connection = sqlite3.connect(
        f"{path.resolve().as_uri()}?{options}", uri=True, isolation_level=None
    )
    connection.text_factory = lambda raw: raw.decode("utf-8", errors="backslashreplace")
    connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _LONGEST_VALUE)
    for pragma in ("trusted_schema=OFF", "cell_size_check=ON", "query_only=ON", "mmap_size=0"):
        connection.execute(f"PRAGMA {pragma}")
    return connection


def _checked_head(path: Path, connection: sqlite3.Connection) -> RecordingHead:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    if application != schema.APPLICATION_ID:
        raise _refusal(
            path, "is a database of another program.", "Give a recording made by this program."
        )
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    if version not in schema.READABLE_VERSIONS:
        known = f"formats {schema.READABLE_VERSIONS[0]} to {schema.SCHEMA_VERSION}"
        raise _refusal(
            path,
            f"has recording format {version}; this program reads {known}.",
            "Read it with the version of the program that made it, or a newer one.",
        )
    tables = {
        name
        for (name,) in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
    }
    missing = [name for name in schema.TABLE_NAMES if name not in tables]
    if missing:
        raise _refusal(
            path,
            f"lacks the part '{missing[0]}' of a recording.",
            "Ask for the file again; it was cut or changed.",
        )
    meta = dict(connection.execute("SELECT key, value FROM meta"))
    try:
        if meta["framing"] not in ("rtu", "mbap"):
            raise ValueError("framing")
        started = datetime.fromisoformat(meta["started"])
        if started.tzinfo is None:
            raise ValueError("started")
        return RecordingHead(
            endpoint=visible(meta["endpoint"]),
            kind=LinkKind(meta["kind"]),
            framing=meta["framing"],
            version=visible(meta["version"]),
            started=started,
            started_t_ns=int(meta["started_t_ns"]),
            arrival_uncertainty_ns=max(0, int(meta["arrival_uncertainty_ns"])),
        )
    except (KeyError, ValueError, TypeError) as error:
        raise _refusal(
            path,
            "does not say how it was made.",
            "Ask for the file again; its beginning is damaged.",
        ) from error


def _check_size(path: Path, wal: Path | None) -> None:
    """Refuse what is too short to hold anything."""
    with path.open("rb") as file:
        header = file.read(_HEADER)
    if not header and wal is None:
        raise _refusal(path, "is empty: nothing was recorded.", "Give another recording.")
    if header and not header.startswith(_MAGIC[: len(header)]):
        raise _refusal(path, _NO_RECORDING, _ASK_AGAIN)
    if 0 < len(header) < _HEADER:
        raise _refusal(
            path,
            f"was cut off after {len(header)} bytes: nothing of the recording is left.",
            "Ask for the file again.",
        )


def _cut_off(path: Path) -> Cut | None:
    """Whether a file is shorter than its header says: SQLite would not open it at all."""
    with path.open("rb") as file:
        header = file.read(_HEADER)
    # SQLite file format, section 1.3: page size at 16 (1 means 65536), pages at 28.
    if len(header) < _HEADER or not header.startswith(_MAGIC):
        return None
    page_size = int.from_bytes(header[16:18], "big")
    page_size = 65536 if page_size == 1 else page_size
    size, whole = path.stat().st_size, int.from_bytes(header[28:32], "big") * page_size
    return Cut(size, whole, page_size) if whole > size else None


def _copy_away(path: Path, wal: Path | None, cut: Cut | None) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="busprobe-"))
    copy = folder / "recording"
    shutil.copyfile(path, copy)
    if wal is not None:
        shutil.copyfile(wal, folder / "recording-wal")
    if cut is not None:
        with copy.open("r+b") as file:
            # No number of pages: SQLite then goes by the size of the file.
            file.seek(28)
            file.write(bytes(4))
            # Tables whose first page is missing count as empty; without it nothing could be read.
            pages = -(-cut.size // cut.page_size)
            file.truncate(pages * cut.page_size)
            file.seek(pages * cut.page_size)
            file.write(_empty_page(cut.page_size) * (_FIRST_PAGES - pages))
    return folder


def _empty_page(size: int) -> bytes:
    """A leaf of a table without rows: SQLite file format, section 1.6."""
    return (b"\x0d\0\0\0\0" + (size & 0xFFFF).to_bytes(2, "big")).ljust(size, b"\0")


def open_recording(path: Path) -> Recording:
    """Open a recording for reading; the file is not changed.

    Args:
        path: The file.

    Raises:
        InputError: There is no such file, or it is no recording that can be read.
    """
    if not path.is_file():
        raise _refusal(path, "is not a file.", "Check the name of the recording.")
    wal = path.with_name(path.name + "-wal")
    folder: Path | None = None
    connection: sqlite3.Connection | None = None
    cut: Cut | None = None
    try:
        unfolded = wal if wal.is_file() and wal.stat().st_size else None
        _check_size(path, unfolded)
        cut = _cut_off(path) if unfolded is None else None
        if unfolded is not None or cut is not None:
            folder = _copy_away(path, unfolded, cut)
            connection = _connect(folder / "recording", immutable=False)
        else:
            connection = _connect(path, immutable=True)
        head = _checked_head(path, connection)
    except BaseException as error:
        if connection is not None:
            connection.close()
        if folder is not None:
            shutil.rmtree(folder, ignore_errors=True)
        if cut is not None and isinstance(error.__cause__ or error, (*_DAMAGE, KeyError)):
            raise _refusal(
                path,
                f"was cut off: {cut.size} of {cut.whole} bytes are there, too few to tell what was "
                "recorded.",
                "Ask for the file again.",
            ) from error
        if isinstance(error, _DAMAGE):
            raise _refusal(path, _NO_RECORDING, _ASK_AGAIN) from error
        if isinstance(error, OSError):
            raise _refusal(
                path, f"cannot be read: {error.strerror}.", "Check the file and its permissions."
            ) from error
        raise
    return Recording(connection, head, folder, cut)


def is_intact(path: Path) -> bool:
    """Whether the whole file passes the integrity check of the database.

    Raises:
        InputError: The file is no recording that can be read.
    """
    with open_recording(path) as recording, contextlib.suppress(*_DAMAGE):
        result = recording._connection.execute("PRAGMA quick_check(1)").fetchone()
        return bool(result == ("ok",))
    return False
