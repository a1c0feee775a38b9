from __future__ import annotations

import random
import sqlite3
from collections.abc import Callable
from pathlib import Path

import pytest

from busprobe.model.chunk import Chunk, Direction
from busprobe.model.errors import InputError
from busprobe.recording import schema
from busprobe.recording.read import is_intact, open_recording
from tests.recording.recordings import START_NS, begin, record


def changed(path: Path, *statements: str) -> Path:
    """The recording after somebody else's hands."""
    record(path)
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA writable_schema=ON")
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()
    return path


def write_text(path: Path) -> None:
    path.write_text("t,V_L1\n0,230\n" * 100)


def write_foreign(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE bookmarks (url TEXT)")
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "is not a file"),
        (lambda path: path.mkdir(), "is not a file"),
        (lambda path: path.touch(), "is empty: nothing was recorded"),
        (write_text, "is not a recording"),
        (write_foreign, "database of another program"),
        (lambda path: changed(path, "PRAGMA user_version=9"), "recording format 9"),
        (lambda path: changed(path, "DROP TABLE finding"), "lacks the part 'finding'"),
        (lambda path: changed(path, "DELETE FROM meta"), "does not say how it was made"),
        (
            lambda path: changed(path, "UPDATE meta SET value='2026-01-01' WHERE key='started'"),
            "does not say how it was made",
        ),
    ],
    ids=["missing", "folder", "empty", "text", "foreign", "newer", "lacking", "headless", "naive"],
)
def test_what_is_no_recording_is_refused_in_words(
    tmp_path: Path, make: Callable[[Path], object], words: str
) -> None:
    path = tmp_path / "visit.busprobe"
    make(path)
    with pytest.raises(InputError, match=words) as refusal:
        open_recording(path)
    assert refusal.value.next_step.endswith(".")


def test_a_view_in_place_of_a_table_is_refused(tmp_path: Path) -> None:
    path = changed(
        tmp_path / "visit.busprobe",
        "DROP TABLE event",
        "CREATE VIEW event AS SELECT 1 AS id, 1 AS t_ns, 'x' AS kind, '{}' AS body",
    )
    with pytest.raises(InputError, match="lacks the part 'event'"):
        open_recording(path)


def test_rows_that_are_no_values_of_ours_are_counted_and_left_out(tmp_path: Path) -> None:
    path = changed(
        tmp_path / "visit.busprobe",
        "INSERT INTO chunk VALUES (NULL, 1, 'sideways', x'00', 0, NULL, NULL)",
        "INSERT INTO chunk VALUES (NULL, 1, 'sent', x'0000', 0, '.', NULL)",
        "INSERT INTO chunk VALUES (NULL, 1, 'sent', x'00', 0, '?', NULL)",
        "INSERT INTO line VALUES (9, 1, 3, 'N', 1)",
        "INSERT INTO finding VALUES (NULL, 1, '{}')",
        "INSERT INTO finding VALUES (NULL, 1, 'not json')",
        "INSERT INTO event VALUES (NULL, 1, 'x', '[1]')",
        'INSERT INTO reading VALUES (NULL, 1, 1, \'{"name": [], "value": {}}\')',
        "INSERT INTO snapshot VALUES (NULL, 1, 1, 'unknown', '[]')",
        "INSERT INTO exchange VALUES (NULL, 1, 1, 1, x'03', 'odd', NULL, 0, NULL, 0, 0)",
    )
    with open_recording(path) as recording:
        assert len(list(recording.chunks())) == 6
        assert recording.findings() == ()
        for rows in (
            recording.events(),
            recording.readings(),
            recording.snapshots(),
            recording.exchanges(),
        ):
            assert list(rows) == []
        assert recording.damaged_rows == 10


def test_a_table_that_lets_anything_in_does_not_fool_the_reader(tmp_path: Path) -> None:
    path = changed(
        tmp_path / "visit.busprobe",
        "DROP TABLE chunk",
        "CREATE TABLE chunk (id, t_ns, direction, data, uncertainty_ns, marks, line)",
        "INSERT INTO chunk VALUES ('a', 'soon', 'sent', x'00', 0, NULL, NULL)",
        "INSERT INTO chunk VALUES (NULL, 1, 'sent', 'text', 0, NULL, NULL)",
        "INSERT INTO chunk VALUES (NULL, 1, 'sent', x'01', 0, NULL, NULL)",
    )
    with open_recording(path) as recording:
        assert list(recording.chunks()) == [Chunk(Direction.SENT, 1, b"\x01")]
        assert recording.damaged_rows == 2


def test_text_from_a_file_cannot_act_on_the_terminal(tmp_path: Path) -> None:
    body = schema.to_json(
        {
            "code": "x",
            "severity": "note",
            "address": None,
            "device": "\x1b[2J",
            "summary": "\u202e",
            "cause": "c",
            "probability": 1.0,
            "evidence": [],
            "remedy": "r",
            "caution": None,
        }
    )
    path = changed(
        tmp_path / "visit.busprobe",
        f"INSERT INTO finding VALUES (NULL, 1, '{body}')",
        "UPDATE meta SET value = 'a' || char(27) || 'b' WHERE key IN ('endpoint', 'version')",
    )
    with open_recording(path) as recording:
        (finding,) = recording.findings()
        assert (finding.device, finding.summary) == ("\\x1b[2J", "\\u202e")
        assert recording.head.endpoint == recording.head.version == "a\\x1bb"


def long_recording(path: Path) -> list[Chunk]:
    chunks = [
        Chunk(Direction.RECEIVED, START_NS + n, n.to_bytes(2, "big") * 20) for n in range(3000)
    ]
    recorder = begin(path)
    for chunk in chunks:
        recorder.chunk(chunk)
    assert recorder.close() is None
    return chunks


def leaf_pages(path: Path) -> list[int]:
    """Offsets of table leaf pages (first byte 0x0D; SQLite file format, section 1.6)."""
    raw = path.read_bytes()
    return [at for at in range(4096, len(raw), 4096) if raw[at] == 0x0D]


def test_a_destroyed_page_costs_its_rows_and_no_others(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    chunks = long_recording(path)
    middle = leaf_pages(path)[len(leaf_pages(path)) // 2]
    with path.open("r+b") as file:
        file.seek(middle)
        file.write(b"\xa5" * 4096)
    assert not is_intact(path)
    with open_recording(path) as recording:
        kept = list(recording.chunks())
        assert recording.damaged_rows > 0
    assert kept[0] == chunks[0]
    assert kept[-1] == chunks[-1]
    # A page of 4 kB holds some 50 rows of this size.
    assert 2900 <= len(kept) < 3000
    assert set(kept) <= set(chunks)


def test_a_file_that_was_cut_gives_its_beginning(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    chunks = long_recording(path)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2 // 4096 * 4096])
    with open_recording(path) as recording:
        kept = list(recording.chunks())
    assert kept
    assert kept == chunks[: len(kept)]


@pytest.mark.parametrize("size", [20_000, 20_480, 12_288])
def test_a_file_of_which_little_is_left_tells_what_it_was(tmp_path: Path, size: int) -> None:
    path = tmp_path / "visit.busprobe"
    chunks = long_recording(path)
    whole = path.read_bytes()
    path.write_bytes(whole[:size])
    with open_recording(path) as recording:
        assert recording.head.framing == "rtu"
        assert recording.cut is not None
        assert (recording.cut.size, recording.cut.whole) == (size, len(whole))
        kept = list(recording.chunks())
        assert kept == chunks[: len(kept)]
        assert list(recording.exchanges()) == []
    assert path.read_bytes() == whole[:size]


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (0, "is empty: nothing was recorded"),
        (50, "was cut off after 50 bytes: nothing of the recording is left"),
        (1_000, "was cut off: 1000 of "),
        (4_096, "bytes are there, too few to tell what was recorded"),
    ],
)
def test_a_file_of_which_nothing_is_left_is_refused_in_words(
    tmp_path: Path, size: int, said: str
) -> None:
    path = tmp_path / "visit.busprobe"
    long_recording(path)
    path.write_bytes(path.read_bytes()[:size])
    with pytest.raises(InputError) as refused:
        open_recording(path)
    assert said in refused.value.cause
    assert refused.value.next_step


def test_a_few_bytes_of_something_else_are_no_recording(tmp_path: Path) -> None:
    path = tmp_path / "note.busprobe"
    path.write_bytes(b"a note")
    with pytest.raises(InputError, match="is not a recording"):
        open_recording(path)


@pytest.mark.parametrize("seed", range(30))
def test_random_damage_never_crashes_the_reader(tmp_path: Path, seed: int) -> None:
    path = tmp_path / "visit.busprobe"
    record(path)
    raw = bytearray(path.read_bytes())
    chance = random.Random(seed)
    for _ in range(chance.choice((1, 10, 200))):
        raw[chance.randrange(len(raw))] = chance.randrange(256)
    path.write_bytes(raw)
    try:
        recording = open_recording(path)
    except InputError:
        return
    with recording:
        chunks = list(recording.chunks())
        assert all(isinstance(chunk, Chunk) for chunk in chunks)
        for rows in (
            recording.exchanges(),
            recording.readings(),
            recording.snapshots(),
            recording.events(),
            recording.findings(),
        ):
            assert isinstance(list(rows), list)
