"""The register-map check against the published models, encoded and marked by pysunspec2.

Images, marks for "not implemented" and what is mandatory come from pysunspec2 1.3 (`sunspec2.mb`,
`sunspec2.device.get_model_def`), not from our own decoder.
"""

from __future__ import annotations

import struct
from typing import Any

import pytest
from sunspec2 import mb
from sunspec2.device import get_model_def

from busprobe.diagnosis.bench import model_checks, model_sheet
from busprobe.diagnosis.bench.register_map import scale_points
from busprobe.model.check import CheckOutcome
from busprobe.model.device import ModelBlock

# Models without repeating groups: common, inverters, nameplate and settings, meters, DER.
MODELS = (
    1, 101, 102, 103, 111, 112, 113, 120, 121, 122, 123, 201, 202, 203, 204, 211, 212, 213, 214,
    701, 702, 703, 802,
)  # fmt: skip
# The one slip of the published models that is held to otherwise: see `_SLIPS`.
SLIPS = {(202, "AphA"): True, (202, "AphC"): False}
_HONEST = {"string": "text", "ipv6addr": "::1", "eui48": "00:01:02:03:04:05"}


def points_of(model_id: int) -> list[dict[str, Any]]:
    return list(get_model_def(model_id)["group"]["points"])


def mandatory(model_id: int, point: dict[str, Any]) -> bool:
    published = point.get("mandatory") == "M"
    return SLIPS.get((model_id, point["name"]), published)


def mark(point: dict[str, Any]) -> bytes:
    """The bytes that stand for "not implemented", as pysunspec2 has them."""
    return bytes(mb.create_unimpl_value(point["type"], 2 * point["size"]))


def honest(model_id: int, point: dict[str, Any], length: int) -> bytes:
    kind = point["type"]
    if point["name"] == "ID":
        return struct.pack(">H", model_id)
    if point["name"] == "L":
        return struct.pack(">H", length)
    if kind == "pad":
        return b"\x80\x00"
    if kind == "string":
        return b"text".ljust(2 * point["size"], b"\0")
    if kind in ("ipv6addr", "eui48"):
        return b"\0\x01" * point["size"]
    return bytes(mb.point_type_info[kind].to_data(1))


def image(model_id: int, changed: dict[str, bytes]) -> tuple[int, ...]:
    points = points_of(model_id)
    length = sum(p["size"] for p in points) - 2
    data = b"".join(changed.get(p["name"], honest(model_id, p, length)) for p in points)
    return struct.unpack(f">{len(data) // 2}H", data)


def block(model_id: int, registers: tuple[int, ...]) -> ModelBlock:
    return ModelBlock(model_id, 40070, len(registers) - 2)


@pytest.mark.parametrize("model_id", MODELS)
def test_a_whole_model_is_right(model_id: int) -> None:
    registers = image(model_id, {})
    sheet = model_sheet(block(model_id, registers), registers)
    assert sheet.length_right
    assert sheet.mandatory == sum(mandatory(model_id, p) for p in points_of(model_id))
    troubles = (sheet.missing, sheet.unreadable, sheet.beyond, sheet.absent, sheet.uncounted)
    assert troubles == ((),) * 5
    assert (sheet.wrong_scales, sheet.wrong_marks) == ((), ())
    assert {c.outcome for c in model_checks(1, sheet)} == {CheckOutcome.PASS}
    assert scale_points(model_id) == sum(p["type"] == "sunssf" for p in points_of(model_id))


@pytest.mark.parametrize("model_id", MODELS)
def test_every_single_point_that_is_marked_is_told_and_no_other(model_id: int) -> None:
    points = [p for p in points_of(model_id) if p["name"] not in ("ID", "L")]
    for point in points:
        if point["type"] == "pad":
            continue
        registers = image(model_id, {point["name"]: mark(point)})
        sheet = model_sheet(block(model_id, registers), registers)
        name = (point["name"],)
        counted = point["type"].startswith("acc")
        if mandatory(model_id, point):
            assert (sheet.missing, sheet.uncounted) == (((), name) if counted else (name, ()))
            assert sheet.absent == ()
        else:
            assert (sheet.missing, sheet.uncounted, sheet.absent) == ((), (), name)
        if point["type"] != "sunssf":
            assert sheet.wrong_scales == ()
        outcomes = {c.name: c.outcome for c in model_checks(1, sheet)}
        bad = mandatory(model_id, point) and not counted
        assert outcomes["points"] is (CheckOutcome.FAIL if bad else CheckOutcome.PASS)
        assert outcomes["marks"] is CheckOutcome.PASS


@pytest.mark.parametrize("model_id", MODELS)
def test_every_mandatory_point_that_is_refused_is_told_and_no_other(model_id: int) -> None:
    offset = 0
    whole = image(model_id, {})
    for point in points_of(model_id):
        span = range(offset, offset + point["size"])
        offset += point["size"]
        if point["name"] in ("ID", "L"):
            continue
        registers = tuple(None if n in span else r for n, r in enumerate(whole))
        sheet = model_sheet(block(model_id, whole), registers)
        told = (point["name"],) if mandatory(model_id, point) else ()
        assert (sheet.unreadable, sheet.missing) == (told, ())


@pytest.mark.parametrize("model_id", MODELS)
def test_a_length_that_cuts_points_off_is_told_with_the_mandatory_ones(model_id: int) -> None:
    points = points_of(model_id)
    whole = image(model_id, {})
    cut = points[-1]["size"]
    if model_id == 1:
        cut += points[-2]["size"]  # 65 is the older, legal length of the common model
    short = (*whole[:1], whole[1] - cut, *whole[2:-cut])
    sheet = model_sheet(block(model_id, short), short)
    assert sheet.length_right is False
    gone, left = [], cut
    for point in reversed(points):
        if left <= 0:
            break
        left -= point["size"]
        gone += [point["name"]] if mandatory(model_id, point) else []
    assert list(sheet.beyond) == gone[::-1]
    assert sheet.missing == ()


def test_a_scale_factor_that_a_value_needs_is_missed_except_where_the_model_allows_it() -> None:
    for model_id in (103, 201, 203, 204):
        for point in points_of(model_id):
            if point["type"] != "sunssf" or mandatory(model_id, point):
                continue
            name = point["name"]
            users = [p for p in points_of(model_id) if p.get("sf") == name]
            registers = image(model_id, {name: mark(point)})
            sheet = model_sheet(block(model_id, registers), registers)
            # Hz is mandatory in the meter models, Hz_SF is not: legal, and taken as 0.
            legal = all(mandatory(model_id, p) for p in users)
            assert [s.partition(" ")[0] for s in sheet.wrong_scales] == ([] if legal else [name])


@pytest.mark.parametrize("exponent", [-10, 10, -11, 11, 100])
def test_scale_factors_beyond_ten_are_wrong(exponent: int) -> None:
    """SunSpec Device Information Model Specification, section 4.2.4."""
    registers = image(203, {"W_SF": struct.pack(">h", exponent)})
    sheet = model_sheet(block(203, registers), registers)
    assert bool(sheet.wrong_scales) is (abs(exponent) > 10)


@pytest.mark.parametrize(
    ("model_id", "point", "data"),
    [
        (203, "TotWhExp", b"\xff\xff\xff\xff"), (203, "TotVAhImp", b"\x80\x00\x00\x00"),
        (201, "Evt", b"\x80\x00\x00\x00"), (1, "DA", b"\x80\x00"), (103, "St", b"\x80\x00"),
    ],
)  # fmt: skip
def test_the_mark_of_another_type_is_told(model_id: int, point: str, data: bytes) -> None:
    registers = image(model_id, {point: data})
    sheet = model_sheet(block(model_id, registers), registers)
    assert [w.partition(" ")[0] for w in sheet.wrong_marks] == [point]
    assert (sheet.missing, sheet.wrong_scales) == ((), ())
