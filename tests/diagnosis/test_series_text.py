"""Recorded series as text."""

from __future__ import annotations

import contextlib
import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis import series_text
from busprobe.diagnosis.series_text import parse_series, parse_site_series
from busprobe.model.errors import InputError
from busprobe.model.series import SwitchMark

CSV = """t,P_L1,Q_L1,V_L1,mark
0,100,5,230.1,
1,,nan,230.2,on L1
2.5,2100.5,7,228.9,
3,NaN,7,,off l1
"""


def test_csv_with_missing_values_and_marks() -> None:
    series = parse_series(CSV, "a.csv")
    assert series.t_s == (0.0, 1.0, 2.5, 3.0)
    assert series.columns["P_L1"] == (100.0, None, 2100.5, None)
    assert series.columns["V_L1"] == (230.1, 230.2, 228.9, None)
    assert series.marks == (SwitchMark(1.0, True, "L1"), SwitchMark(3.0, False, "L1"))


def test_json_lines_say_the_same() -> None:
    lines = [
        {"t": 0, "P_L1": 100, "Q_L1": 5, "V_L1": 230.1},
        {"t": 1, "Q_L1": None, "V_L1": 230.2, "mark": "on L1"},
        {"t": 2.5, "P_L1": 2100.5, "Q_L1": 7, "V_L1": 228.9, "mark": ""},
        {"t": 3, "Q_L1": 7, "mark": "off L1"},
    ]
    text = "\n".join(json.dumps(line) for line in lines)
    assert parse_series(text, "a.jsonl") == parse_series(CSV, "a.csv")


@pytest.mark.parametrize(
    "text",
    [
        CSV.replace("\n", "\r\n"),
        "\ufeff" + CSV,
        CSV.replace(",", ";"),
        CSV.replace(",", "\t"),
        "# a remark\n" + CSV,
        CSV + "\n\n",
    ],
)
def test_dialects_of_csv(text: str) -> None:
    assert parse_series(text, "a.csv") == parse_series(CSV, "a.csv")
    assert parse_series(text.encode(), "a.csv") == parse_series(CSV, "a.csv")


def test_a_column_that_comes_late_in_json_lines_is_missing_before() -> None:
    series = parse_series('{"t": 0, "P_L1": 1}\n{"t": 1, "P_L2": 2}\n', "a")
    assert series.columns == {"P_L1": (1.0, None), "P_L2": (None, 2.0)}


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("   \n\n", "empty"),
        ("t,P_L1\n", "no readings"),
        ("t\n1\n", "no columns"),
        ("P_L1,P_L2\n1,2\n", "no column t"),
        ("t,P_L1,P_L1\n1,2,3\n", "line 1: column 'P_L1' stands twice"),
        ("t,P_L1,\n1,2,3\n", "column 3 has no name"),
        ("t,P_L4\n1,2\n", "'P_L4'"),
        ("t,power\n1,2\n", "'power'"),
        ("t,P_L1\n1,abc\n", "line 2, column 'P_L1': 'abc' is not a number"),
        ("t,P_L1\n1,2\n\n2,1,3\n", "line 4: 3 fields"),
        ("t,P_L1\n1,inf\n", "not a finite number"),
        ("t,P_L1\n1,1e999\n", "not a finite number"),
        ("t,P_L1\n2,1\n1,1\n", "line 3: t = 1 comes before the 2"),
        ("t,P_L1\n,1\n", "line 2: t is missing"),
        ("t,P_L1,mark\n1,1,up L1\n", "line 2, column mark: 'up L1'"),
        ("t,P_L1,mark\n1,1,on L4\n", "'on L4'"),
        ('{"t": 1, "P_L1": 2}\n{"t": 2,', "line 2, column"),
        ('{"P_L1": 2}\n', "no object with a key t"),
        ('{"t": 1, "P_L1": [1]}\n', "column 'P_L1': not a number"),
        ('{"t": 1, "P_L1": true}\n', "not a number"),
        ('{"t": 1, "P_L1": 1, "mark": 3}\n', "column mark"),
        ('{"t": 1, "x": 1}\n', "'x'"),
        ("t,P_L1\x00\n1,2\n", "not a text file"),
        ("t,grid.P_L1\n1,2\n", "'grid.P_L1'"),
        (b"\x00\x01\xff\xfe", "not a text file"),
        (b"t,P_L1\n1,\xff\n", "not a text file (byte 9"),
    ],
)
def test_what_is_wrong_is_named(text: str | bytes, said: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_series(text, "a.csv")
    assert said in str(caught.value)
    assert "a.csv" in caught.value.cause
    assert caught.value.next_step


def test_an_endless_file_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(series_text, "MOST_ROWS", 10)
    text = "t,P_L1\n" + "".join(f"{i},1\n" for i in range(20))
    with pytest.raises(InputError, match="more than 10 lines"):
        parse_series(text, "a")
    monkeypatch.setattr(series_text, "MOST_CHARACTERS", 20)
    with pytest.raises(InputError, match="longer than 20"):
        parse_series(text, "a")


def test_a_hostile_name_is_shown_harmlessly() -> None:
    with pytest.raises(InputError) as caught:
        parse_series("t,\x1b[31mP_L1" + "x" * 500 + "\n1,2\n", "a")
    assert "\x1b" not in caught.value.cause
    assert len(caught.value.cause) < 200


def test_a_site_has_one_series_per_meter() -> None:
    text = "t,grid.P_L1,grid.V_L1,roof:P_L1,heat_pump_P,mark\n0,1,2,3,4,\n1,5,6,7,8,on L1\n"
    site = parse_site_series(text, "a")
    assert list(site) == ["grid", "roof", "heat_pump"]
    assert site["grid"].columns == {"P_L1": (1.0, 5.0), "V_L1": (2.0, 6.0)}
    assert site["heat_pump"].columns == {"P": (4.0, 8.0)}
    assert all(s.t_s == (0.0, 1.0) for s in site.values())
    assert site["roof"].marks == (SwitchMark(1.0, True, "L1"),)


@given(st.one_of(st.text(), st.binary()))
def test_rubbish_raises_nothing_but_an_input_error(text: str | bytes) -> None:
    for parse in (parse_series, parse_site_series):
        with contextlib.suppress(InputError):
            assert parse(text, "x")


@given(
    st.lists(
        st.tuples(
            st.floats(0.001, 100.0),
            st.one_of(st.none(), st.floats(-1e9, 1e9)),
        ),
        min_size=1,
        max_size=20,
    )
)
def test_what_was_written_is_read(rows: list[tuple[float, float | None]]) -> None:
    t = 0.0
    times: list[float] = []
    for step, _ in rows:
        t += step
        times.append(t)
    values = [value for _, value in rows]
    text = "t,P_L2\n" + "".join(
        f"{when!r},{'' if value is None else repr(value)}\n"
        for when, value in zip(times, values, strict=True)
    )
    series = parse_series(text, "x")
    assert series.t_s == tuple(times)
    assert series.columns["P_L2"] == tuple(values)
    assert not any(v is not None and math.isnan(v) for v in series.columns["P_L2"])
