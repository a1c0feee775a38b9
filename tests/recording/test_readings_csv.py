from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.model.reading import Reading, ReadingState, SignConvention, Snapshot
from busprobe.recording.read import open_recording
from busprobe.recording.readings_csv import cell, split_name, write_readings_csv
from tests.cli.test_commands import busprobe
from tests.recording.recordings import MS, START_NS, begin


def rows_of(path: Path) -> list[dict[str, str]]:
    out = io.StringIO(newline="")
    with open_recording(path) as recording:
        count = write_readings_csv(recording, out)
    out.seek(0)
    rows = list(csv.DictReader(out))
    assert len(rows) == count
    return rows


def test_one_row_per_value_with_serial_phase_unit_and_quality(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    recorder = begin(path)
    recorder.event(START_NS, "DeviceKnown", {"address": 1, "identity": {"serial": "=1+1"}})
    recorder.snapshot(
        Snapshot(
            START_NS + 40 * MS,
            1,
            {"V_L1": 230.5, "P": -12.0, "E_import_L2": 7.0},
            SignConvention.UNKNOWN,
        )
    )
    recorder.readings(
        START_NS + 40 * MS,
        1,
        [
            Reading("PhVphA", 230.5, "V", (2305,)),
            Reading("Md", "@SUM(A1)", "", (1,), ReadingState.SUSPECT, "odd"),
            Reading("WphC", None, "W", (0x8000,), ReadingState.NOT_IMPLEMENTED),
        ],
    )
    recorder.snapshot(Snapshot(START_NS + 90 * MS, 2, {"P": 5.0}, SignConvention.IMPORT_POSITIVE))
    assert recorder.close() is None
    rows = rows_of(path)
    shown = [tuple(list(row.values())[2:]) for row in rows]
    assert shown == [
        ("1", "'=1+1", "E_import", "L2", "7.0", "Wh", "sign unknown", "meter"),
        ("1", "'=1+1", "P", "", "-12.0", "W", "sign unknown", "meter"),
        ("1", "'=1+1", "V", "L1", "230.5", "V", "ok", "meter"),
        ("1", "'=1+1", "PhVphA", "", "230.5", "V", "ok", "register map"),
        ("1", "'=1+1", "Md", "", "'@SUM(A1)", "", "suspect", "register map"),
        ("1", "'=1+1", "WphC", "", "", "W", "not-implemented", "register map"),
        ("2", "", "P", "", "5.0", "W", "ok", "meter"),
    ]
    assert rows[0]["time"] == "2026-03-29T09:30:00.290+02:00"
    assert rows[0]["line"] == "/dev/ttyUSB0"


# Leading characters by OWASP, CSV Injection.
@given(st.sampled_from("=+-@\t\r\n＝＋－＠"), st.text(max_size=8), st.text(" ", max_size=2))
def test_no_text_begins_a_formula(lead: str, rest: str, blank: str) -> None:
    assert cell(blank + lead + rest).startswith("'")


@given(st.text(st.characters(categories=("L", "N")), max_size=12))
def test_plain_text_stays(text: str) -> None:
    assert cell(text) == text


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("V_L1", ("V", "L1")),
        ("V_L1L2", ("V", "L1L2")),
        ("P", ("P", "")),
        ("E_import", ("E_import", "")),
        ("E_import_L3", ("E_import", "L3")),
    ],
)
def test_names_are_parted_into_quantity_and_phase(name: str, parts: tuple[str, str]) -> None:
    assert split_name(name) == parts


def test_the_command_writes_what_a_spreadsheet_opens(tmp_path: Path) -> None:
    file, table, frames = (tmp_path / name for name in ("v.busprobe", "r.csv", "f.csv"))
    busprobe("read", "sim:healthy", "1", "--record", file, "--json")
    ran = busprobe("recording", file, "--csv", table, "--frames-csv", frames, "--json")
    assert ran.status == 0
    # The mark by which spreadsheets know UTF-8: Unicode Standard, section 23.8.
    assert table.read_bytes().startswith(b"\xef\xbb\xbf")
    with table.open(encoding="utf-8-sig", newline="") as text:
        rows = list(csv.DictReader(text))
    volts = [r for r in rows if (r["quantity"], r["phase"]) == ("V", "L1")]
    assert 200 < float(volts[0]["value"]) < 260
    assert {r["serial"] for r in rows} == {"TF30-118204"}
    assert frames.read_text(encoding="utf-8").count("\n") > 4
