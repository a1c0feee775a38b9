"""Decoding against values published with the dumps of pysunspec 2.1.1."""

from __future__ import annotations

import pytest
from sunspec_images import hex_dump, typed_dump, walk

from busprobe.model.reading import Reading, ReadingState
from busprobe.profiles.decode import decode_block


def readings(image: dict[int, int], model_id: int) -> dict[str, Reading]:
    result, _ = walk(image)
    assert result.map is not None
    (block,) = [m for m in result.map.models if m.model_id == model_id]
    return {reading.name: reading for reading in decode_block(block, image)}


# pysunspec 2.1.1, pics_test_device_1.xml, scaled by the scale factors of the same file; each
# checked once with pysunspec2 1.3.7.
EXPECTED = {
    "int16_1": 1e-10,
    "int16_2": -1e10,
    "int16_3": 2,
    "int16_4": -20,
    "uint16_1": 4e-10,
    "uint16_2": 5e10,
    "uint16_3": 65524,
    "uint16_4": 60,
    "acc16": 8,
    "enum16": 9,
    "bitfield16": 10,
    "int32_1": 1100,
    "int32_2": 12000,
    "int32_3": 130000,
    "uint32_1": 1600,
    "uint32_2": 17000,
    "uint32_3": 180000,
    "uint32_4": 190,
    "acc32": 21,
    "ipaddr": "1.2.3.4",
    "int64": 24,
    "acc64": 25,
    "float32": 26.0,
    "string": "12345678",
    "repeating[1].int16_11": 0.30,
    "repeating[2].int16_11": 0.0040,
    "repeating[3].int16_11": 5000,
    "repeating[1].int16_12": 0.031,
    "repeating[2].int16_12": 0.00041,
    "repeating[3].int16_12": 51000,
    "repeating[1].int32": 3.5e-9,
    "repeating[2].int32": 4.5e-9,
    "repeating[3].int32": 5.5e-9,
}


def test_every_type_of_the_published_dump() -> None:
    found = readings(hex_dump("mbmap_test_device_1_processed.xml"), 63001)
    got = {name: found[name].value for name in EXPECTED}
    assert got == EXPECTED


def test_every_point_marked_not_implemented_in_the_dump() -> None:
    found = readings(hex_dump("mbmap_test_device_1_processed.xml"), 63001)
    marked = {name: r for name, r in found.items() if name.split(".")[-1].endswith("_u")}
    assert len(marked) > 15
    wrong = [name for name, r in marked.items() if r.state is not ReadingState.NOT_IMPLEMENTED]
    assert wrong == []
    assert all(reading.value is None for reading in marked.values())


def test_common_model_of_the_dump() -> None:
    found = readings(hex_dump("mbmap_test_device_1_processed.xml"), 1)
    values = {name: found[name].value for name in ("Mn", "Md", "Opt", "Vr", "SN", "DA")}
    assert values == {
        "Mn": "SunSpecTest",
        "Md": "TestDevice-1",
        "Opt": "opt_a_b_c",
        "Vr": "1.2.3",
        "SN": "sn-123456789",
        "DA": 1,
    }
    assert "Pad" not in found


def test_common_model_of_65_registers() -> None:
    found = readings(typed_dump("mbmap_test_device_2.xml"), 1)
    assert found["DA"].value == 1
    assert found["Md"].value == "TestDevice-2"
    assert set(found) == {"ID", "L", "Mn", "Md", "Opt", "Vr", "SN", "DA"}


def test_scale_factors_before_and_behind_their_points() -> None:
    # mbmap_test_device_3.xml: 1111 with scale factor -1, 2222 with scale factor -2.
    image = typed_dump("mbmap_test_device_3.xml")
    result, _ = walk(image)
    assert result.map is not None
    found = readings(image, 63002)
    assert found["repeating[1].int16_1"].value == 111.1
    assert found["repeating[1].int16_2"].value == 22.22
    assert result.anomalies == ()


@pytest.mark.parametrize(
    ("number", "models"),
    [(1, [1, 103]), (2, [1, 103, 160]), (3, [1, 103, 160, 160, 160])],
)
def test_inverter_maps_decode_without_doubt(number: int, models: list[int]) -> None:
    image = typed_dump(f"mbmap_test_inverter_{number}.xml")
    result, _ = walk(image)
    assert result.map is not None
    assert [m.model_id for m in result.map.models] == models
    for block in result.map.models:
        found = decode_block(block, image)
        assert found
        assert [r.name for r in found if r.state is ReadingState.SUSPECT] == []


def test_inverter_1_in_units() -> None:
    # Values written as comments and registers in mbmap_test_inverter_1.xml.
    found = readings(typed_dump("mbmap_test_inverter_1.xml"), 103)
    names = ("A", "PhVphA", "PhVphB", "PhVphC", "W", "Hz", "WH", "PPVphAB")
    assert [found[name].value for name in names] == [
        12.4, 240.1, 240.2, 240.3, 2970, 59.99, 1234567, None,
    ]  # fmt: skip
    assert found["PF"].value is not None
