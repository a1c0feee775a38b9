"""Recorded series as text: CSV with a header, or JSON Lines, one row per reading.

    t       time [s], never going back
    V_L1..  [V], I_L1.. [A], P_L1.. [W], Q_L1.. [var], as the meter signs them; an empty field,
            "nan" or null is a missing value
    mark    "on L1" or "off L1" where the operator announced a switching

A series of a whole site has one set of columns per meter, prefixed with the meter's name and one
of ``.``, ``:`` or ``/`` (``grid.P_L1``), or an underscore where that is clear (``grid_P_L1``).
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from busprobe.model.errors import InputError
from busprobe.model.series import Series, SwitchMark

# A week of one row per second.
MOST_ROWS = 700_000
MOST_CHARACTERS = 200_000_000
QUANTITY = re.compile(
    r"(?P<meter>.*?)(?P<name>(?:[VIPQSE]|PF|F|Eq_import|Eq_export|E_import|E_export)"
    r"(?:_L[123](?:L[123])?)?)\Z"
)
TABLE_HELP = "Give a header with t and at least one of P_L1, P_L2, P_L3, and one row per reading."
PHASES = ("L1", "L2", "L3", "L1L2L3", "unknown")


@dataclass(slots=True)
class _Rows:
    """The rows as they come in: time, values and marks by column of the file."""

    name: str
    times: list[float] = field(default_factory=list)
    values: dict[str, list[float | None]] = field(default_factory=dict)
    marks: list[SwitchMark] = field(default_factory=list)


def parse_series(text: str | bytes, name: str) -> Series:
    """Read the series of one meter.

    Args:
        text: CSV or JSON Lines.
        name: What to call the file in an error.

    Raises:
        InputError: Names the line and the column that is wrong.
    """
    rows = _read(text, name)
    wrong = [column for column in rows.values if _split(column)[0]]
    if wrong:
        raise InputError(
            f"{name}: column {_shown(wrong[0])} in line 1 is none of t, V_L1, I_L1, P_L1, Q_L1 and "
            "their like, mark.",
            TABLE_HELP,
        )
    return Series(
        tuple(rows.times),
        {column: tuple(values) for column, values in rows.values.items()},
        tuple(rows.marks),
    )


def parse_site_series(text: str | bytes, name: str) -> Mapping[str, Series]:
    """Read the series of several meters, one set of prefixed columns each.

    Returns:
        Series by meter name, in the order of the columns; columns without a prefix belong to the
        name "".

    Raises:
        InputError: Names the line and the column that is wrong.
    """
    rows = _read(text, name)
    meters: dict[str, dict[str, tuple[float | None, ...]]] = {}
    for column, values in rows.values.items():
        meter, quantity = _split(column)
        if not quantity:
            raise InputError(
                f"{name}: column {_shown(column)} in line 1 does not end in a quantity such as "
                "P_L1.",
                "Name the columns like grid.P_L1, with the meter's name in front.",
            )
        meters.setdefault(meter, {})[quantity] = tuple(values)
    return {
        meter: Series(tuple(rows.times), columns, tuple(rows.marks))
        for meter, columns in meters.items()
    }


def _split(column: str) -> tuple[str, str]:
    """Meter and quantity of a column name; the quantity is "" when it is none."""
    match = QUANTITY.match(column)
    if match is None:
        return column, ""
    meter = match["meter"]
    if meter and meter[-1] not in "._:/- ":
        return column, ""
    return meter.rstrip("._:/- "), match["name"]


def _read(text: str | bytes, name: str) -> _Rows:
    if isinstance(text, bytes):
        try:
            text = text.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputError(
                f"{name}: not a text file (byte {error.start} is not UTF-8).", TABLE_HELP
            ) from None
    if len(text) > MOST_CHARACTERS:
        raise InputError(f"{name}: longer than {MOST_CHARACTERS} characters.", "Cut it in pieces.")
    text = text.removeprefix("\ufeff")
    if "\x00" in text[:4096]:
        raise InputError(f"{name}: not a text file.", TABLE_HELP)
    start = text.lstrip()
    if not start:
        raise InputError(f"{name}: empty.", TABLE_HELP)
    rows = _Rows(name)
    if start[0] == "{":
        _read_json(text, rows)
    else:
        _read_csv(text, rows)
    if not rows.times:
        raise InputError(f"{name}: no readings after line 1.", TABLE_HELP)
    if not rows.values:
        raise InputError(f"{name}: no columns beside t in line 1.", TABLE_HELP)
    return rows


def _lines(text: str, rows: _Rows) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(io.StringIO(text), start=1):
        if number > MOST_ROWS:
            raise InputError(f"{rows.name}: more than {MOST_ROWS} lines.", "Cut it in pieces.")
        yield number, line


def _read_csv(text: str, rows: _Rows) -> None:
    head = text.lstrip().split("\n", 1)[0]
    comma = ";" if head.count(";") > head.count(",") else ","
    if comma == "," and "\t" in head and "," not in head:
        comma = "\t"
    header: list[str] = []
    for number, line in _lines(text, rows):
        if not line.strip() or (not header and line.lstrip().startswith("#")):
            continue
        try:
            cells = [
                cell.strip() for cell in next(csv.reader([line], delimiter=comma, strict=True))
            ]
        except (csv.Error, StopIteration) as error:
            raise InputError(f"{rows.name}, line {number}: {error}.", TABLE_HELP) from None
        if not header:
            header = _header(cells, number, rows)
            continue
        if len(cells) != len(header):
            raise InputError(
                f"{rows.name}, line {number}: {len(cells)} fields, the header has {len(header)}.",
                "Leave a missing value empty, but keep its comma.",
            )
        _take(dict(zip(header, cells, strict=True)), number, rows)


def _header(cells: list[str], number: int, rows: _Rows) -> list[str]:
    if "t" not in cells:
        raise InputError(f"{rows.name}, line {number}: the header has no column t.", TABLE_HELP)
    for cell in cells:
        if not cell:
            raise InputError(
                f"{rows.name}, line {number}: column {cells.index(cell) + 1} has no name.",
                TABLE_HELP,
            )
        if cells.count(cell) > 1:
            raise InputError(
                f"{rows.name}, line {number}: column {_shown(cell)} stands twice.", TABLE_HELP
            )
        if cell not in ("t", "mark") and not _split(cell)[1]:
            raise InputError(
                f"{rows.name}, line {number}: column {_shown(cell)} is no quantity this tool "
                "knows.",
                TABLE_HELP,
            )
    for cell in cells:
        if cell not in ("t", "mark"):
            rows.values[cell] = []
    return cells


def _read_json(text: str, rows: _Rows) -> None:
    for number, line in _lines(text, rows):
        if not line.strip():
            continue
        try:
            entry = json.loads(line)
        except (ValueError, RecursionError) as error:
            place = getattr(error, "colno", 1)
            raise InputError(
                f"{rows.name}, line {number}, column {place}: not a JSON object.",
                "Give one JSON object per line.",
            ) from None
        if not isinstance(entry, dict) or "t" not in entry:
            raise InputError(
                f"{rows.name}, line {number}: no object with a key t.",
                'Give one JSON object per line, such as {"t": 0, "P_L1": 120.5}.',
            )
        for key in entry:
            if key not in ("t", "mark") and key not in rows.values:
                if not _split(key)[1]:
                    raise InputError(
                        f"{rows.name}, line {number}: {_shown(key)} is no quantity this tool "
                        "knows.",
                        TABLE_HELP,
                    )
                rows.values[key] = [None] * len(rows.times)
        _take(entry, number, rows)


def _take(entry: Mapping[str, object], number: int, rows: _Rows) -> None:
    """Add one row."""
    t = _number(entry["t"], "t", number, rows)
    if t is None:
        raise InputError(f"{rows.name}, line {number}: t is missing.", TABLE_HELP)
    if rows.times and t < rows.times[-1]:
        raise InputError(
            f"{rows.name}, line {number}: t = {t:g} comes before the {rows.times[-1]:g} of the row "
            "above.",
            "Sort the rows by time.",
        )
    rows.times.append(t)
    for column, values in rows.values.items():
        values.append(_number(entry.get(column), column, number, rows))
    mark = entry.get("mark")
    if mark is not None and not (isinstance(mark, float) and math.isnan(mark)):
        rows.marks.extend(_marks(mark, t, number, rows))


def _number(value: object, column: str, number: int, rows: _Rows) -> float | None:
    if value is None:
        return None
    if isinstance(value, str):
        text = value.strip()
        if text.lower() in ("", "nan", "null", "none", "na", "n/a", "-"):
            return None
        try:
            out = float(text)
        except ValueError:
            raise InputError(
                f"{rows.name}, line {number}, column {_shown(column)}: {_shown(text)} is not a "
                "number.",
                "Write numbers with a point, and leave missing ones empty.",
            ) from None
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        out = _as_float(value)
    else:
        raise InputError(
            f"{rows.name}, line {number}, column {_shown(column)}: not a number.",
            "Write plain numbers, and null for missing ones.",
        )
    if math.isnan(out):
        return None
    if math.isinf(out):
        raise InputError(
            f"{rows.name}, line {number}, column {_shown(column)}: not a finite number.",
            "Leave a missing value empty.",
        )
    return out


def _as_float(value: int | float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _marks(mark: object, t: float, number: int, rows: _Rows) -> list[SwitchMark]:
    """One announcement, or several joined by a semicolon."""
    out: list[SwitchMark] = []
    if not isinstance(mark, str):
        raise InputError(
            f"{rows.name}, line {number}, column mark: not a text.",
            "Write on L1 or off L1 where a switching was announced.",
        )
    for part in mark.replace(";", "\n").splitlines():
        words = part.split()
        if not words:
            continue
        phase = words[1].upper() if len(words) == 2 else "unknown"
        phase = "unknown" if phase == "UNKNOWN" else phase
        if words[0].lower() not in ("on", "off") or phase not in PHASES or len(words) > 2:
            raise InputError(
                f"{rows.name}, line {number}, column mark: {_shown(part)} is not understood.",
                "Write on L1 or off L1 where a switching was announced.",
            )
        out.append(SwitchMark(t, words[0].lower() == "on", phase))
    return out


def _shown(text: str) -> str:
    """Text of a file, short and harmless enough for a message."""
    return ascii(text if len(text) <= 40 else text[:37] + "...")
