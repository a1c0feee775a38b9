from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.chunk import Chunk, Direction, Mark
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange, Frame, Outcome
from busprobe.model.line import LineSettings
from busprobe.model.reading import Reading, ReadingState, SignConvention, Snapshot
from busprobe.recording import schema
from busprobe.recording.read import is_intact, open_recording
from tests.recording.recordings import (
    FINDING,
    READ_TWO,
    SETTINGS,
    START_NS,
    STARTED,
    TWO_REGISTERS,
    VISIT,
    begin,
    record,
)


def test_chunks_come_back_as_they_were_with_their_settings(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    before = Chunk(Direction.RECEIVED, 1, b"\x00\xff", 7, (Mark.BREAK, Mark.FRAMING_PARITY))
    recorder.chunk(before)
    recorder.settings(2, SETTINGS)
    for chunk in VISIT:
        recorder.chunk(chunk)
    recorder.settings(3, LineSettings(2400))
    recorder.chunk(before)
    assert recorder.close() is None
    with open_recording(path) as recording:
        assert list(recording.timeline()) == [
            before,
            SETTINGS,
            *VISIT,
            LineSettings(2400),
            before,
        ]
        assert list(recording.chunks()) == [before, *VISIT, before]
        assert recording.damaged_rows == 0
        assert recording.head.endpoint == "/dev/ttyUSB0"
        assert recording.head.wall_clock(START_NS + 1_500_000_000) == STARTED.replace(
            second=1, microsecond=750_000
        )


def test_everything_else_comes_back_too(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    request = Frame(1, READ_TWO, 100, 200, b"")
    answer = Frame(1, TWO_REGISTERS, 300, 400, b"")
    exchange = Exchange(3, request, Outcome.ANSWERED, answer, (answer,), True, 90, 16, 500, ())
    silent = Exchange(4, request, Outcome.SILENT, None, (), False, None, 0, 500, ())
    readings = (
        Reading("W", 1500.5, "W", (0, 15), ReadingState.OK, ""),
        Reading("Mn", "Trollfen", "", (0x4665,), ReadingState.SUSPECT, "why"),
        Reading("Hz", None, "Hz", (0x8000,), ReadingState.NOT_IMPLEMENTED),
    )
    snapshot = Snapshot(900, 7, {"P": -1.5, "V_L1": 230.0}, SignConvention.EXPORT_POSITIVE)
    recorder = begin(path)
    recorder.exchange(exchange)
    recorder.exchange(silent)
    recorder.finding(800, FINDING)
    recorder.readings(850, 7, readings)
    recorder.snapshot(snapshot)
    recorder.event(900, "operator", {"request": "Switch on L1", "on": True})
    assert recorder.close() is None
    with open_recording(path) as recording:
        first, second = recording.exchanges()
        assert first == schema.RecordedExchange(
            3, 100, 1, READ_TWO, Outcome.ANSWERED, TWO_REGISTERS, True, 90, 16, 500
        )
        assert (second.outcome, second.answer, second.turnaround_ns) == (Outcome.SILENT, None, None)
        assert recording.findings() == (FINDING,)
        assert list(recording.readings()) == [(850, 7, reading) for reading in readings]
        assert list(recording.snapshots()) == [snapshot]
        (event,) = recording.events()
        assert (event.kind, event.body["on"]) == ("operator", True)


def test_a_later_finding_replaces_an_earlier_of_the_same_code_and_address(tmp_path: Path) -> None:
    from dataclasses import replace

    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    sure = replace(FINDING, probability=0.9999)
    other = replace(FINDING, address=2)
    for finding in (FINDING, other, sure):
        recorder.finding(1, finding)
    recorder.close()
    with open_recording(path) as recording:
        assert recording.findings() == (sure, other)


def test_values_that_are_no_numbers_do_not_break_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    recorder.snapshot(Snapshot(1, 1, {"P": float("nan"), "F": float("inf"), "V_L1": 230.0}))
    recorder.readings(1, 1, [Reading("PF", float("nan"), "", (0x7FC0, 0))])
    recorder.readings(1, 1, [Reading("Mn", "\ud800 lone surrogate", "", ())])
    assert recorder.close() is None
    with open_recording(path) as recording:
        (snapshot,) = recording.snapshots()
        assert snapshot.quantities == {"V_L1": 230.0}
        factor, maker = (reading for _, _, reading in recording.readings())
        assert factor.value == "nan"
        assert maker.value == "\\ud800 lone surrogate"


def test_only_the_owner_may_read_the_file(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    old = os.umask(0)
    try:
        recorder = begin(path)
        recorder.chunk(VISIT[0])
        assert recorder.flush()
        modes = {stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()}
        recorder.close()
    finally:
        os.umask(old)
    assert modes == {0o600}


def test_a_closed_recording_is_one_file_and_can_travel(tmp_path: Path) -> None:
    path = tmp_path / "über den Hof?#1.busprobe"
    record(path)
    assert list(tmp_path.iterdir()) == [path]
    # Bytes 18 and 19 of the header: 1 is a rollback journal, 2 is WAL (SQLite file format, 1.3).
    assert path.read_bytes()[18:20] == b"\x01\x01"
    assert is_intact(path)


def test_the_file_is_a_strict_sqlite_database_of_ours(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    record(path)
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
    assert connection.execute("PRAGMA user_version").fetchone() == (schema.SCHEMA_VERSION,)
    strict = connection.execute(
        "SELECT name, strict FROM pragma_table_list WHERE name NOT LIKE 'sqlite_%'"
    ).fetchall()
    assert dict(strict) == dict.fromkeys(schema.TABLE_NAMES, 1)
    with pytest.raises(sqlite3.IntegrityError):
        connection.execute("INSERT INTO chunk VALUES (NULL, 'soon', 'sent', x'00', 0, NULL, NULL)")
    connection.close()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    path.write_text("precious")
    with pytest.raises(InputError, match="exists already"):
        begin(path)
    assert path.read_text() == "precious"
    with pytest.raises(InputError, match="cannot be made"):
        begin(tmp_path / "no such folder" / "visit.busprobe")


def test_a_closed_recording_takes_nothing_more(tmp_path: Path) -> None:
    recorder = begin(tmp_path / "visit.busprobe")
    assert recorder.close() is None
    assert recorder.close() is None
    with pytest.raises(RuntimeError, match="closed"):
        recorder.chunk(VISIT[0])


def test_many_threads_hand_over_at_once(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)

    def deliver(thread: int) -> None:
        for number in range(500):
            recorder.chunk(Chunk(Direction.RECEIVED, number, bytes((thread,))))

    threads = [threading.Thread(target=deliver, args=(n,)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    recorder.close()
    with open_recording(path) as recording:
        chunks = list(recording.chunks())
    for number in range(4):
        own = [chunk.t_ns for chunk in chunks if chunk.data == bytes((number,))]
        assert own == list(range(500))


def test_rows_are_on_the_disk_without_being_asked(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    recorder.chunk(VISIT[0])
    # The writer commits by itself; the test waits for that and for nothing else.
    with recorder._condition:
        assert recorder._condition.wait_for(lambda: recorder._written == 1, timeout=20)
    with open_recording(path) as recording:
        assert list(recording.chunks()) == [VISIT[0]]
    recorder.close()


_KILLED = """
import sys, threading
from pathlib import Path
sys.path[:0] = {roots!r}
from tests.recording.recordings import VISIT, begin
recorder = begin(Path(sys.argv[1]))
for chunk in VISIT:
    recorder.chunk(chunk)
assert recorder.flush()
print("on the disk", flush=True)
threading.Event().wait()
"""


def test_what_was_committed_survives_a_kill(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    roots = [entry for entry in sys.path if entry]
    with subprocess.Popen(
        [sys.executable, "-c", _KILLED.format(roots=roots), str(path)],
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "on the disk\n"
        process.send_signal(signal.SIGKILL)
    left = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    assert "visit.busprobe-wal" in left
    with open_recording(path) as recording:
        assert list(recording.chunks()) == list(VISIT)
    assert is_intact(path)
    # Reading has changed nothing.
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == left


def test_a_full_disk_loses_nothing_that_was_committed_and_is_told(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path, most_bytes=1, most_waiting_rows=50)  # the least there is: 256 kB
    recorder.chunk(VISIT[0])
    assert recorder.flush()
    big = Chunk(Direction.RECEIVED, START_NS, bytes(300_000))
    recorder.chunk(big)
    assert not recorder.flush()
    assert recorder.trouble is not None
    assert "full" in recorder.trouble
    for _ in range(60):
        recorder.chunk(VISIT[1])
    assert recorder.given_up == 11
    assert recorder.close() is not None
    with open_recording(path) as recording:
        assert list(recording.chunks()) == [VISIT[0]]


def test_what_was_given_up_is_told_once_there_is_room_again(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path, most_bytes=1, most_waiting_rows=3)
    recorder.chunk(Chunk(Direction.RECEIVED, START_NS, bytes(300_000)))
    assert not recorder.flush()
    for _ in range(5):
        recorder.chunk(VISIT[1])
    assert recorder.given_up == 3
    # There is room again.
    recorder._connection.execute("PRAGMA max_page_count=100000")
    assert recorder.flush()
    assert recorder.close() is None
    with open_recording(path) as recording:
        assert len(list(recording.chunks())) == 3
        assert [(event.kind, event.body) for event in recording.events()] == [
            ("rows-given-up", {"rows": 3})
        ]


_CHUNKS = st.builds(
    Chunk,
    direction=st.sampled_from(Direction),
    t_ns=st.integers(0, 2**62),
    data=st.binary(max_size=40),
    uncertainty_ns=st.integers(0, 2**40),
)


@given(st.lists(_CHUNKS, max_size=20))
def test_any_chunk_survives_the_way_to_a_row_and_back(chunks: list[Chunk]) -> None:
    for chunk in chunks:
        assert schema.chunk_of(schema.chunk_row(chunk, None)[:5]) == chunk
