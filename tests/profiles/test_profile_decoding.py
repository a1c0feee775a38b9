"""Decoding by a profile: word orders, scales, what is absent."""

from __future__ import annotations

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from busprobe.model.reading import ReadingState
from busprobe.profiles.load import load_profiles
from busprobe.profiles.registers import (
    decode_profile,
    in_order,
    profile_reads,
    scaled_by,
    uniform_profile,
)
from busprobe.profiles.scalar import floating, register_bytes
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.resources import profile_folder

SHIPPED = {p.name: p for p in load_profiles((profile_folder(),))}


@pytest.mark.parametrize(
    ("order", "registers"),
    [
        # libmodbus, tests/unit-test.h.in: the float 123456.0 in all four orders.
        ("ABCD", (0x47F1, 0x2000)),
        ("DCBA", (0x0020, 0xF147)),
        ("BADC", (0xF147, 0x0020)),
        ("CDAB", (0x2000, 0x47F1)),
    ],
)
def test_published_float_in_all_orders(order: str, registers: tuple[int, int]) -> None:
    assert floating(in_order(registers, order)) == 123456.0  # type: ignore[arg-type]


@given(value=st.integers(-(2**63), 2**63 - 1), low=st.booleans())
def test_64_bit_word_order_agrees_with_pymodbus(value: int, low: bool) -> None:
    registers = ModbusClientMixin.convert_to_registers(
        value, ModbusClientMixin.DATATYPE.INT64, word_order="little" if low else "big"
    )
    data = register_bytes(in_order(registers, "CDAB" if low else "ABCD"))
    assert int.from_bytes(data, "big", signed=True) == value


def test_text_keeps_its_words_and_may_swap_its_bytes() -> None:
    assert register_bytes(in_order((0x4241, 0x4443), "DCBA", text=True)) == b"ABCD"
    assert register_bytes(in_order((0x4142, 0x4344), "CDAB", text=True)) == b"ABCD"


@pytest.mark.parametrize(
    ("count", "scale", "value"),
    [(2301, 0.1, 230.1), (3, 1000, 3000), (-5, -1, 5), (7, 0.5, 3.5), (1.5, 1000, 1500.0)],
)
def test_scales_have_no_binary_dust(count: float, scale: float, value: float) -> None:
    assert scaled_by(count, scale) == value


def test_shipped_float_profile_on_a_float_meter() -> None:
    profile = SHIPPED["zwergau-zg4"]
    image: dict[int, int] = {}

    def put(address: int, value: float) -> None:
        image[address], image[address + 1] = struct.unpack(">HH", struct.pack(">f", value))

    for read in profile_reads(profile):
        image.update(dict.fromkeys(range(read.address, read.address + read.quantity), 0))
    put(0x0000, 230.5)
    put(0x0012, -1.25)
    put(0x0020, 98.5)
    put(0x0022, float("nan"))
    put(0x0100, 12.5)
    image.update(enumerate(struct.unpack(">6H", b"ZG-00417\x1b[2J"), start=0x0502))
    readings = {r.name: r for r in decode_profile(profile, image)}
    assert readings["P_L1"].value == -1250
    assert readings["P_L1"].unit == "W"
    assert readings["PF_L2"].state is ReadingState.NOT_IMPLEMENTED
    assert readings["serial"].value == "ZG-00417\\x1b[2J"
    found = uniform_profile(profile, readings.values())
    assert found.quantities["V_L1"] == 230.5
    assert found.quantities["E_import"] == 12500
    assert found.quantities["PF_L1"] == 0.985
    assert "PF_L2" not in found.quantities
    assert found.steps == {}


def test_shipped_low_word_first_profile() -> None:
    profile = SHIPPED["unkenau-uk300"]
    image: dict[int, int] = {}
    for read in profile_reads(profile):
        image.update(dict.fromkeys(range(read.address, read.address + read.quantity), 0))
    image |= {4096: 2304, 4108: 0xCFC7, 4109: 0xFFFF, 4126: 0x86A0, 4127: 1, 4134: 40}
    readings = {r.name: r for r in decode_profile(profile, image)}
    assert readings["V_L1"].value == 230.4
    assert readings["P_L1"].value == -1234.5
    assert readings["E_import"].value == 100000
    assert readings["CT_ratio"].value == 40
    found = uniform_profile(profile, readings.values())
    assert found.steps["V_L1"] == 0.1
    assert "CT_ratio" not in found.quantities


def test_absent_counts_and_missing_registers() -> None:
    profile = SHIPPED["elfmoor-ef1"]
    image = dict.fromkeys(range(9), 7) | {7: 0xFFFF, 8: 0xFFFF}
    readings = {r.name: r for r in decode_profile(profile, image)}
    assert readings["E_import"].state is ReadingState.NOT_IMPLEMENTED
    assert "E_export" not in readings


def test_power_factor_that_is_none_is_suspect() -> None:
    text = (
        "format: 1\nname: x\nmaker: A\nmodel: B\nmatch: [{identity: {maker: A}}]\n"
        "registers: [{quantity: PF, address: 0, type: uint16}]\n"
    )
    profile = load_yaml_model(text, DeviceProfile)
    found = uniform_profile(profile, decode_profile(profile, {0: 40000}))
    assert found.quantities == {}
    assert "no power factor" in found.suspect["PF"]


def test_limit_of_the_device_and_of_the_moment() -> None:
    profile = SHIPPED["elfmoor-ef63"]
    assert [r.quantity for r in profile_reads(profile)] == [31, 4]
    assert all(r.quantity <= 16 for r in profile_reads(profile, limit=16))
