"""Uniform quantities of meters and inverters, and what their counters prove about the sign."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import pytest

from busprobe.model.device import ModelBlock
from busprobe.model.reading import ReadingState, SignConvention, Snapshot
from busprobe.profiles.decode import (
    INTEGER_NOTE,
    WORDS_NOTE,
    WRAPPED_NOTE,
    ZERO_NOTE,
    changed_scale_factors,
    decode_model,
)
from busprobe.profiles.definitions import PointType, model_definition
from busprobe.profiles.layout import layout
from busprobe.profiles.uniform import (
    Uniform,
    best_measuring_block,
    measures,
    normal_power_factor,
    phase_count,
    sign_from_counters,
    uniform,
)

NOT_IMPLEMENTED = {
    PointType.INT16: 0x8000,
    PointType.SUNSSF: 0x8000,
    PointType.ACC32: 0,
}


def registers(model_id: int, values: Mapping[str, float]) -> list[int | None]:
    """A model in which everything is "not implemented" but these raw values (or floats)."""
    definition = model_definition(model_id)
    assert definition is not None
    length = definition.length_rule.least
    image: list[int | None] = [0xFFFF] * (length + 2)
    image[:2] = [model_id, length]
    for point in layout(definition, length).points[2:]:
        kind, size = point.definition.type, point.definition.size
        value = values.get(point.name)
        if value is None:
            first = NOT_IMPLEMENTED.get(kind, 0x7FC0 if kind is PointType.FLOAT32 else 0xFFFF)
            words = [first, *[0 if first != 0xFFFF else first] * (size - 1)]
        elif kind is PointType.FLOAT32:
            words = list(struct.unpack(">HH", struct.pack(">f", value)))
        else:
            whole = int(value) % (1 << 16 * size)
            words = [whole >> 16 * (size - 1 - i) & 0xFFFF for i in range(size)]
        image[point.offset : point.end] = words
    return image


def found(model_id: int, values: Mapping[str, float]) -> Uniform:
    definition = model_definition(model_id)
    assert definition is not None
    return uniform(model_id, decode_model(definition, registers(model_id, values)))


# Field data of a model 203 meter posted in the public issue pysunspec2 48: V_SF is -2, line-to-line
# voltages have wrapped; A_SF is -1.
FIELD_203 = {
    "A": 42, "AphA": 7, "AphB": 12, "AphC": 21, "A_SF": -1,
    "PhVphA": 23781, "PhVphB": 21741, "PhVphC": 23619, "V_SF": -2,
    "PhVphAB": 39493 - 65536, "PhVphBC": 39223 - 65536, "PhVphCA": 41064 - 65536,
    "Hz": 5000, "Hz_SF": -2, "W": -820, "WphA": -150, "W_SF": 0,
    "TotWhExp": 6619, "TotWhImp": 0, "TotWh_SF": 0,
}  # fmt: skip


def test_wrapped_line_to_line_voltage_is_read_again_and_told() -> None:
    result = found(203, FIELD_203)
    assert result.quantities["V_L1L2"] == 394.93
    assert result.quantities["V_L2L3"] == 392.23
    assert result.quantities["V_L3L1"] == 410.64
    assert result.suspect["V_L1L2"] == WRAPPED_NOTE
    assert "V_L1" not in result.suspect


def test_integer_meter_as_quantities_with_their_steps() -> None:
    result = found(203, FIELD_203)
    assert result.quantities["V_L1"] == 237.81
    assert result.quantities["I_L3"] == 2.1
    assert result.quantities["P"] == -820
    assert result.quantities["P_L1"] == -150
    assert result.quantities["F"] == 50.0
    assert result.quantities["E_export"] == 6619
    assert result.quantities["E_import"] == 0
    assert "P_L2" not in result.quantities
    assert {k: result.steps[k] for k in ("V_L1", "I_L1", "P", "F", "E_import")} == {
        "V_L1": 0.01, "I_L1": 0.1, "P": 1.0, "F": 0.01, "E_import": 1.0,
    }  # fmt: skip
    assert (result.phases, result.system, result.sign) == (3, "3p4w", SignConvention.UNKNOWN)


def test_float_meter_hides_its_resolution() -> None:
    result = found(213, {"PhVphA": 230.5, "W": -1000, "VAR": 12, "TotWhImp": 1e6, "PPVphBC": 400})
    assert result.quantities == {
        "V_L1": 230.5, "P": -1000, "Q": 12, "E_import": 1e6, "V_L2L3": 400,
    }  # fmt: skip
    assert result.steps == {}


def test_integer_counter_in_a_float_place_is_read_again() -> None:
    definition = model_definition(213)
    assert definition is not None
    image = registers(213, {})
    image[68:70] = [0x0012, 0xD687]
    (reading,) = [r for r in decode_model(definition, image) if r.name == "TotWhImp"]
    assert (reading.value, reading.state, reading.note) == (
        1234567, ReadingState.SUSPECT, INTEGER_NOTE,
    )  # fmt: skip


def test_float_meter_with_its_low_words_first_is_read_and_told() -> None:
    # 230.5 V is 4366 8000 and 50 Hz is 4248 0000 high word first (IEEE 754).
    definition = model_definition(213)
    assert definition is not None
    values = {"PhVphA": 230.5, "PhVphB": 231, "PhV": 230.7, "Hz": 50, "W": -1000, "TotWhImp": 1e6}
    image = registers(213, values)
    for point in layout(definition, 124).points:
        if point.definition.size == 2:
            image[point.offset : point.end] = image[point.offset : point.end][::-1]
    assert image[12:14] == [0x8000, 0x4366]
    readings = {r.name: r for r in decode_model(definition, image)}
    assert readings["PhVphA"].value == 230.5
    assert readings["PhVphA"].state is ReadingState.SUSPECT
    assert readings["PhVphA"].note == WORDS_NOTE
    assert readings["PhVphA"].raw == (0x8000, 0x4366)
    assert readings["VAR"].state is ReadingState.NOT_IMPLEMENTED
    result = uniform(213, readings.values())
    assert result.quantities["P"] == -1000
    assert result.quantities["F"] == 50


def test_registers_that_end_early_give_the_readings_they_hold() -> None:
    definition = model_definition(213)
    assert definition is not None
    names = {r.name for r in decode_model(definition, registers(213, {"A": 1})[:11])}
    assert names == {"ID", "L", "A", "AphA", "AphB", "AphC"}


def test_one_odd_value_does_not_turn_the_words() -> None:
    result = found(213, {"PhVphA": 230.5, "PhV": 230, "Hz": 5e20, "W": 7})
    assert result.quantities["V_L1"] == 230.5
    assert result.suspect == {}


@pytest.mark.parametrize(
    ("model_id", "phases", "system"),
    [(201, 1, "1p"), (202, 2, "split"), (203, 3, "3p4w"), (204, 3, "3p3w"), (211, 1, "1p"),
     (101, 1, "1p"), (103, 3, "3p4w"), (1, 0, "3p4w"), (160, 0, "3p4w")],
)  # fmt: skip
def test_phases_and_system(model_id: int, phases: int, system: str) -> None:
    assert phase_count(model_id) == phases
    assert measures(model_id) == (phases > 0)
    if phases:
        assert found(model_id, {}).system == system


def test_total_of_a_single_phase_map_is_its_phase() -> None:
    result = found(201, {"W": 500, "W_SF": 0, "PhV": 2300, "V_SF": -1, "A": 22, "A_SF": -1})
    assert result.quantities["P_L1"] == result.quantities["P"] == 500
    assert result.quantities["V_L1"] == 230
    assert result.steps["V_L1"] == 0.1


def test_der_measurement_states_its_sign_and_wiring() -> None:
    values = {
        "ACType": 0, "W": 300, "W_SF": 1, "VL1": 2301, "V_SF": -1, "TotWhInj": 5000, "TotWhAbs": 7,
        "TotWh_SF": 0, "TotVarhInj": 3, "TotVarh_SF": 0, "Hz": 50010, "Hz_SF": -3,
    }  # fmt: skip
    result = found(701, values)
    assert result.sign is SignConvention.EXPORT_POSITIVE
    assert (result.phases, result.system) == (1, "1p")
    assert result.quantities == {
        "P": 3000, "V_L1": 230.1, "E_export": 5000, "E_import": 7, "Eq_export": 3, "F": 50.01,
    }  # fmt: skip
    assert result.steps["P"] == 10


def test_reactive_counters_are_summed_by_their_own_names() -> None:
    values = {"TotVArhImpQ1": 5, "TotVArhImpQ2": 6, "TotVArhExpQ4": 7, "TotVArh_SF": 2}
    result = found(203, values)
    assert result.quantities == {"Eq_import": 1100, "Eq_export": 700, "E_import": 0, "E_export": 0}


@pytest.mark.parametrize(
    ("value", "factor"), [(0.93, 0.93), (93.0, 0.93), (-96.91, -0.9691), (1.0, 1.0), (9300, None)]
)
def test_power_factor_in_every_form_seen_in_the_field(value: float, factor: float | None) -> None:
    assert normal_power_factor(value) == pytest.approx(factor)


def test_power_factor_in_percent_has_a_step_in_ones() -> None:
    result = found(203, {"PF": 9300, "PF_SF": -2})
    assert result.quantities["PF"] == 0.93
    assert result.steps["PF"] == pytest.approx(0.0001)


def test_missing_scale_factors() -> None:
    # Hz is mandatory and Hz_SF optional in the published model 203: legal. W_SF is mandatory.
    definition = model_definition(203)
    assert definition is not None
    image = registers(203, {"Hz": 50, "W": 700})
    readings = {r.name: r for r in decode_model(definition, image)}
    assert (readings["Hz"].value, readings["Hz"].state) == (50, ReadingState.OK)
    assert "Hz_SF is not implemented" in readings["Hz"].note
    assert (readings["W"].value, readings["W"].state) == (700, ReadingState.SUSPECT)
    assert uniform(203, readings.values()).steps["P"] == 1.0


def test_value_whose_scale_factor_was_not_read_has_no_reading() -> None:
    definition = model_definition(203)
    assert definition is not None
    image = registers(203, {"W": 700, "W_SF": 0, "Hz": 5000, "Hz_SF": -2})
    image[22] = None
    names = {r.name for r in decode_model(definition, image)}
    assert "W" not in names
    assert "Hz" in names


def test_zero_counters_carry_both_meanings() -> None:
    definition = model_definition(203)
    assert definition is not None
    readings = {r.name: r for r in decode_model(definition, registers(203, {"TotWh_SF": 0}))}
    mandatory, optional = readings["TotWhImp"], readings["TotWhImpPhA"]
    assert (mandatory.value, mandatory.state, mandatory.note) == (0, ReadingState.OK, ZERO_NOTE)
    assert (optional.value, optional.state) == (None, ReadingState.NOT_IMPLEMENTED)
    assert optional.note == ZERO_NOTE


def test_scale_factors_that_change_between_polls_are_named() -> None:
    definition = model_definition(203)
    assert definition is not None
    polls = [
        decode_model(definition, registers(203, {"W": 10, "W_SF": sf, "V_SF": -1})) for sf in (0, 1)
    ]
    assert changed_scale_factors(polls[0], polls[1]) == ("W_SF",)
    assert changed_scale_factors(polls[0], polls[0]) == ()


def test_best_block_is_a_meter_before_an_inverter_and_a_float_before_an_integer() -> None:
    blocks = [ModelBlock(m, i, 50) for i, m in enumerate((1, 103, 113, 203, 213, 701, 211))]
    assert best_measuring_block(blocks) == ModelBlock(213, 4, 50)
    assert best_measuring_block(blocks[:4]) == ModelBlock(203, 3, 50)
    assert best_measuring_block(blocks[:3]) == ModelBlock(113, 2, 50)
    assert best_measuring_block(blocks[:1]) is None


HOUR = 3_600_000_000_000


def snapshot(t_h: float, p: float, imported: float, exported: float) -> Snapshot:
    quantities = {"P": p, "E_import": imported, "E_export": exported}
    return Snapshot(round(t_h * HOUR), 1, quantities)


@pytest.mark.parametrize(
    ("p0", "p1", "imported", "exported", "sign"),
    [
        (2000, 2000, 1000, 0, SignConvention.IMPORT_POSITIVE),
        (-2000, -1900, 0, 950, SignConvention.IMPORT_POSITIVE),
        (2000, 2000, 0, 1000, SignConvention.EXPORT_POSITIVE),
        (-2000, -2000, 1000, 0, SignConvention.EXPORT_POSITIVE),
        (2000, 2000, 500, 500, SignConvention.UNKNOWN),
        (2000, 2000, 0, 0, SignConvention.UNKNOWN),
        (2000, -2000, 1000, 0, SignConvention.UNKNOWN),
        (2000, 2000, -9000, 0, SignConvention.UNKNOWN),
        (2000, 2000, 90000, 0, SignConvention.UNKNOWN),
        (2000, 2000, 10, 0, SignConvention.UNKNOWN),
    ],
)
def test_counters_prove_the_sign_or_say_why_not(
    p0: float, p1: float, imported: float, exported: float, sign: SignConvention
) -> None:
    before = snapshot(0, p0, 10000, 20000)
    after = snapshot(0.5, p1, 10000 + imported, 20000 + exported)
    evidence = sign_from_counters(before, after)
    assert evidence.sign is sign
    assert evidence.text.startswith("power")


def test_coarse_counter_may_move_by_one_step_too_much() -> None:
    # 2 kW for a minute are 33 Wh; a counter with a step of 100 Wh may still move once.
    before, after = snapshot(0, 2000, 0, 0), snapshot(1 / 60, 2000, 100, 0)
    assert sign_from_counters(before, after).sign is SignConvention.UNKNOWN
    coarse = sign_from_counters(before, after, {"E_import": 100})
    assert coarse.sign is SignConvention.IMPORT_POSITIVE


def test_missing_counters_prove_nothing() -> None:
    bare = Snapshot(0, 1, {"P": 5})
    evidence = sign_from_counters(bare, bare)
    assert evidence.sign is SignConvention.UNKNOWN
    assert "E_import, E_export" in evidence.text
