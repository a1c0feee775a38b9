"""Writing a recording: whatever happened a second ago survives.

1. Rows are handed over from any thread and never wait for the disk.
2. One thread writes them, in one transaction every 250 ms. SQLite in WAL mode keeps what was
   committed when the program is killed; with `synchronous=FULL` also when the plug is pulled.
3. When the disk is full or fails, rows are kept in memory, up to a limit, and tried again; what had
   to be given up is counted, and the count is recorded once there is room again.
4. A file that was closed is one file: the WAL is folded in and removed.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from busprobe.model.chunk import Chunk, Moment
from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Finding
from busprobe.model.line import Endpoint, LineSettings
from busprobe.model.reading import Reading, Snapshot
from busprobe.recording import schema

COMMIT_INTERVAL_S = 0.25
# A day at 20 frames a second is about 110 MB; a week of soaking fits.
MOST_BYTES = 2 << 30
# About a quarter of an hour of a busy line, while the disk is full.
MOST_WAITING_ROWS = 200_000
_PAGE_BYTES = 4096

_INSERTS = {
    "line": "INSERT INTO line VALUES (?, ?, ?, ?, ?)",
    "chunk": "INSERT INTO chunk VALUES (NULL, ?, ?, ?, ?, ?, ?)",
    "exchange": "INSERT INTO exchange VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    "finding": "INSERT INTO finding VALUES (NULL, ?, ?)",
    "reading": "INSERT INTO reading VALUES (NULL, ?, ?, ?)",
    "snapshot": "INSERT INTO snapshot VALUES (NULL, ?, ?, ?, ?)",
    "event": "INSERT INTO event VALUES (NULL, ?, ?, ?)",
}


class Recorder:
    """Writes one recording; made by `create_recording`."""

    def __init__(
        self,
        path: Path,
        connection: sqlite3.Connection,
        started_t_ns: int,
        most_waiting_rows: int = MOST_WAITING_ROWS,
    ) -> None:
        self._started_t_ns = started_t_ns
        self._path = path
        self._connection = connection
        self._most_waiting_rows = most_waiting_rows
        self._condition = threading.Condition()
        self._waiting: list[tuple[str, schema.Row]] = []
        self._accepted = 0
        self._written = 0
        self._attempts = 0
        self._given_up = 0
        self._given_up_told = 0
        self._last_t_ns = 0
        self._lines = 0
        self._hurry = False
        self._closing = False
        self._trouble: str | None = None
        self._writer = threading.Thread(
            target=self._write_until_closed, name=f"writer of {path.name}", daemon=True
        )
        self._writer.start()

    @property
    def path(self) -> Path:
        """The file."""
        return self._path

    @property
    def started_t_ns(self) -> int:
        """Clock of the link at the beginning [ns]."""
        return self._started_t_ns

    @property
    def trouble(self) -> str | None:
        """Why the last attempt to write failed, in one sentence; None while all is well."""
        return self._trouble

    @property
    def given_up(self) -> int:
        """Rows that could be kept neither on the disk nor in memory."""
        return self._given_up

    def settings(self, t_ns: int, settings: LineSettings) -> None:
        """The line settings that hold for the chunks from now on."""
        with self._condition:
            self._lines += 1
            row = (self._lines, t_ns, settings.baud, settings.parity.value, settings.stop_bits)
            self._add("line", row, t_ns)

    def chunk(self, chunk: Chunk) -> None:
        """Bytes that crossed the link, in the order in which they were noticed."""
        with self._condition:
            self._add("chunk", schema.chunk_row(chunk, self._lines or None), chunk.t_ns)

    def moment(self, moment: Moment) -> None:
        """The clock of the bus leapt."""
        with self._condition:
            self._add("chunk", schema.moment_row(moment, self._lines or None), moment.t_ns)

    def exchange(self, exchange: Exchange) -> None:
        """A finished exchange."""
        with self._condition:
            self._add("exchange", schema.exchange_row(exchange), exchange.request.t_start_ns)

    def finding(self, t_ns: int, finding: Finding) -> None:
        """A finding; a later one with the same code and address replaces it for the reader."""
        body = schema.finding_body(finding)
        with self._condition:
            self._add("finding", (t_ns, body), t_ns)

    def readings(self, t_ns: int, address: int, readings: Iterable[Reading]) -> None:
        """What a device was read to say."""
        bodies = [schema.reading_body(reading) for reading in readings]
        with self._condition:
            for body in bodies:
                self._add("reading", (t_ns, address, body), t_ns)

    def snapshot(self, snapshot: Snapshot) -> None:
        """The uniform quantities of one poll."""
        with self._condition:
            self._add("snapshot", schema.snapshot_row(snapshot), snapshot.t_ns)

    def event(self, t_ns: int, kind: str, body: Mapping[str, Any]) -> None:
        """Something that happened beside the bus; the body must be plain JSON."""
        text = schema.to_json(dict(body))
        with self._condition:
            self._add("event", (t_ns, kind, text), t_ns)

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything handed over so far is on the disk; False when it is not."""
        with self._condition:
            goal = self._accepted
            # An attempt may be under way that knows nothing of the last rows.
            last_attempt = self._attempts + 2
            self._hurry = True
            self._condition.notify_all()
            self._condition.wait_for(
                lambda: self._written >= goal or self._attempts >= last_attempt, timeout_s
            )
            return self._written >= goal

    def close(self) -> str | None:
        """Write the rest and fold everything into one file.

        Returns:
            What could not be written, in one sentence, or None when all is on the disk.
        """
        with self._condition:
            if self._closing:
                return self._trouble
            self._closing = True
            self._condition.notify_all()
        self._writer.join()
        return self._trouble

    def _add(self, table: str, row: schema.Row, t_ns: int) -> None:
        # The caller holds the condition.
        if self._closing:
            raise RuntimeError("the recording is closed")
        self._last_t_ns = max(self._last_t_ns, t_ns)
        if len(self._waiting) >= self._most_waiting_rows:
            self._given_up += 1
            return
        self._accepted += 1
        self._waiting.append((table, row))
        if len(self._waiting) == 1:
            self._condition.notify_all()

    def _write_until_closed(self) -> None:
        closing = False
        while not closing:
            with self._condition:
                self._condition.wait_for(lambda: self._waiting or self._hurry or self._closing)
                self._condition.wait_for(
                    lambda: self._hurry or self._closing, timeout=COMMIT_INTERVAL_S
                )
                closing, self._hurry = self._closing, False
                batch = list(self._waiting)
                lost = self._given_up - self._given_up_told
                moment = self._last_t_ns
            trouble = self._write(batch, lost, moment)
            with self._condition:
                self._attempts += 1
                self._trouble = trouble
                if trouble is None:
                    del self._waiting[: len(batch)]
                    self._given_up_told += lost
                    self._written += len(batch)
                self._condition.notify_all()
        self._finish()

    def _write(self, batch: list[tuple[str, schema.Row]], lost: int, moment: int) -> str | None:
        connection = self._connection
        try:
            connection.execute("BEGIN")
            for table, row in batch:
                connection.execute(_INSERTS[table], row)
            if lost:
                body = schema.to_json({"rows": lost})
                connection.execute(_INSERTS["event"], (moment, "rows-given-up", body))
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            with contextlib.suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            return f"The recording {self._path.name} cannot be written: {visible(str(error))}."
        return None

    def _finish(self) -> None:
        with contextlib.suppress(sqlite3.Error):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            self._connection.execute("PRAGMA journal_mode=DELETE")
        self._connection.close()


def create_recording(
    path: Path,
    *,
    endpoint: Endpoint,
    framing: str,
    version: str,
    started: datetime,
    started_t_ns: int,
    arrival_uncertainty_ns: int = 0,
    most_bytes: int = MOST_BYTES,
    most_waiting_rows: int = MOST_WAITING_ROWS,
) -> Recorder:
    """Begin a recording in a new file that only its owner may read.

    Args:
        path: The file; it must not exist.
        endpoint: Where the recorded link leads.
        framing: "rtu" or "mbap".
        version: Version of the program.
        started: Wall clock now, with offset.
        started_t_ns: Clock of the link now [ns].
        arrival_uncertainty_ns: How late the link may stamp a received byte [ns].
        most_bytes: Size that the file may reach [byte].
        most_waiting_rows: Rows kept in memory while the disk fails.

    Raises:
        InputError: The file exists or cannot be made.
    """
    name = visible(str(path))
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    except FileExistsError as error:
        raise InputError(
            f"The file {name} exists already.", "Choose another name; nothing is overwritten."
        ) from error
    except OSError as error:
        raise InputError(
            f"The file {name} cannot be made: {error.strerror}.",
            "Choose a folder that you may write to and that has room.",
        ) from error
    # One thread at a time uses it: this one now, the writer from then on.
    connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    meta = {
        "endpoint": endpoint.argument,
        "kind": endpoint.kind.value,
        "framing": framing,
        "version": version,
        "started": started.isoformat(),
        "started_t_ns": str(started_t_ns),
        "arrival_uncertainty_ns": str(arrival_uncertainty_ns),
    }
    try:
        connection.execute(f"PRAGMA page_size={_PAGE_BYTES}")
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        connection.execute(f"PRAGMA max_page_count={max(64, most_bytes // _PAGE_BYTES)}")
        connection.execute("BEGIN")
        connection.execute(f"PRAGMA application_id={schema.APPLICATION_ID}")
        connection.execute(f"PRAGMA user_version={schema.SCHEMA_VERSION}")
        for table in schema.TABLES:
            connection.execute(table)
        connection.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
        connection.execute("COMMIT")
    except sqlite3.Error as error:
        connection.close()
        raise InputError(
            f"The file {name} cannot be written: {visible(str(error))}.",
            "Choose a folder on a local disk that has room.",
        ) from error
    return Recorder(path, connection, started_t_ns, most_waiting_rows)
