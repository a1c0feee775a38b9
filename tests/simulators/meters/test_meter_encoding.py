"""Registers by SunSpec type, decoded by the reference implementation (package pysunspec2)."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sunspec2 import mb

from busprobe_sim.meters.definition import model_points
from busprobe_sim.meters.encoding import number_registers, text_registers


def _bytes(words: list[int]) -> bytes:
    return struct.pack(f">{len(words)}H", *words)


_RANGES = {
    "int16": (1, -0x7FFF, 0x7FFF),
    "uint16": (1, 0, 0xFFFE),
    "int32": (2, -0x7FFFFFFF, 0x7FFFFFFF),
    "uint32": (2, 0, 0xFFFFFFFE),
    "acc32": (2, 1, 0xFFFFFFFF),
    "int64": (4, -(2**63) + 1, 2**63 - 1),
}


@given(st.sampled_from(sorted(_RANGES)), st.data())
def test_integers_come_back(kind: str, data: st.DataObject) -> None:
    size, low, high = _RANGES[kind]
    # Beyond 2**53 a float cannot hold every integer; the registers take integers there.
    value = data.draw(st.integers(low, high))
    decoded = mb.point_type_info[kind].data_to(_bytes(number_registers(kind, value, size)))
    assert decoded == value


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_floats_come_back(value: float) -> None:
    decoded = mb.point_type_info["float32"].data_to(_bytes(number_registers("float32", value, 2)))
    assert decoded == value


@pytest.mark.parametrize(
    "kind",
    ["int16", "uint16", "enum16", "bitfield16", "int32", "uint32", "enum32", "bitfield32", "acc32",
     "int64", "uint64", "acc64", "float32", "float64", "sunssf"],
)  # fmt: skip
def test_not_implemented_is_what_the_reference_takes_for_it(kind: str) -> None:
    info = mb.point_type_info[kind]
    decoded = info.data_to(_bytes(number_registers(kind, None, info.len)))
    assert not info.is_impl(decoded)


def test_integers_wrap_like_firmware() -> None:
    # 394.93 V at a scale of -2 read as int16 (field report posted in pysunspec2 #48).
    assert number_registers("int16", 39493, 1) == [39493]
    assert struct.unpack(">h", _bytes(number_registers("int16", 39493, 1))) == (-26043,)


def test_text_is_padded_and_cut() -> None:
    assert _bytes(text_registers(b"TF 30", 4)) == b"TF 30\0\0\0"
    assert _bytes(text_registers(b"0123456789", 2)) == b"0123"


@pytest.mark.parametrize(
    ("model_id", "length"),
    [(1, 66), (201, 105), (203, 105), (204, 105), (211, 124), (213, 124), (103, 50), (113, 60)],
)
def test_definitions_have_the_published_length(model_id: int, length: int) -> None:
    last = model_points(model_id)[-1]
    assert last.offset + last.size == length + 2


@pytest.mark.parametrize(
    ("model_id", "name", "offset"),
    [(203, "A_SF", 6), (203, "W", 18), (203, "TotWhExp", 38), (203, "TotWhImp", 46),
     (203, "Evt", 105), (213, "W", 28), (213, "TotWhImp", 68), (213, "Evt", 124), (103, "St", 38)],
)  # fmt: skip
def test_offsets_of_known_points(model_id: int, name: str, offset: int) -> None:
    found = {point.name: point.offset for point in model_points(model_id)}
    assert found[name] == offset


def test_nan_is_not_implemented() -> None:
    assert number_registers("float32", math.nan, 2) == [0x7FC0, 0]
