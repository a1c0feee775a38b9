"""The published definitions: all load, and the meters lie where the published tables say."""

from __future__ import annotations

import random

import pytest

from busprobe.model.device import ModelBlock
from busprobe.model.reading import Reading, ReadingState
from busprobe.profiles.decode import decode_block, decode_model
from busprobe.profiles.definitions import (
    HEADER_REGISTERS,
    PointType,
    length_rule,
    model_definition,
    published_models,
)
from busprobe.profiles.layout import layout

MODELS = sorted(published_models())

# Offsets from the ID register (0) as the published JSON of models 203 and 213 lists them; the same
# numbers stand in the register tables that makers print for these models.
INT_OFFSETS = {
    "A": 2, "AphA": 3, "AphB": 4, "AphC": 5, "A_SF": 6, "PhV": 7, "PhVphA": 8, "PPV": 11,
    "PhVphAB": 12, "PhVphCA": 14, "V_SF": 15, "Hz": 16, "Hz_SF": 17, "W": 18, "WphA": 19,
    "W_SF": 22, "VA": 23, "VA_SF": 27, "VAR": 28, "VARphC": 31, "VAR_SF": 32, "PF": 33,
    "PF_SF": 37,
    "TotWhExp": 38, "TotWhExpPhA": 40, "TotWhImp": 46, "TotWhImpPhC": 52, "TotWh_SF": 54,
    "TotVAhExp": 55, "TotVAhImp": 63, "TotVAh_SF": 71, "TotVArhImpQ1": 72, "TotVArhImpQ1PhA": 74,
    "TotVArhImpQ2": 80, "TotVArhExpQ3": 88, "TotVArhExpQ4": 96, "TotVArh_SF": 104, "Evt": 105,
}  # fmt: skip
FLOAT_OFFSETS = {
    "A": 2, "AphA": 4, "AphC": 8, "PhV": 10, "PhVphA": 12, "PPV": 18, "PPVphAB": 20, "PPVphCA": 24,
    "Hz": 26, "W": 28, "WphA": 30, "VA": 36, "VAR": 44, "VARphC": 50, "PF": 52, "TotWhExp": 60,
    "TotWhImp": 68, "TotVAhExp": 76, "TotVAhImp": 84, "TotVArhImpQ1": 92, "TotVArhImpQ1phA": 94,
    "TotVArhImpQ2": 100, "TotVArhExpQ3": 108, "TotVArhExpQ4": 116, "Evt": 124,
}  # fmt: skip
INVERTER_OFFSETS = {
    "A": 2, "AphA": 3, "A_SF": 6, "PPVphAB": 7, "PhVphA": 10, "V_SF": 13, "W": 14, "W_SF": 15,
    "Hz": 16, "VA": 18, "VAr": 20, "PF": 22, "WH": 24, "WH_SF": 26, "DCA": 27, "DCW": 31, "St": 38,
    "Evt1": 40,
}  # fmt: skip
DER_OFFSETS = {
    "ACType": 2, "W": 10, "VA": 11, "Var": 12, "PF": 13, "A": 14, "Hz": 17, "TotWhInj": 19,
    "TotWhAbs": 23, "TotVarhInj": 27, "TotVarhAbs": 31, "WL1": 41, "WL2": 64, "WL3": 87,
    "A_SF": 113,    "Tmp_SF": 122, "MnAlrmInfo": 123,
}  # fmt: skip


@pytest.mark.parametrize(
    ("model_id", "length", "offsets"),
    [
        (203, 105, INT_OFFSETS),
        (213, 124, FLOAT_OFFSETS),
        (103, 50, INVERTER_OFFSETS),
        (701, 153, DER_OFFSETS),
    ],
)
def test_published_offsets(model_id: int, length: int, offsets: dict[str, int]) -> None:
    definition = model_definition(model_id)
    assert definition is not None
    placed = {p.name: p.offset for p in layout(definition, length).points}
    assert {name: placed[name] for name in offsets} == offsets
    assert definition.length_rule.least == length
    assert definition.length_rule.fixed


@pytest.mark.parametrize(("model_id", "length"), [(1, 66), (1, 65), (120, 26), (802, 62), (713, 7)])
def test_published_lengths(model_id: int, length: int) -> None:
    rule = length_rule(model_id)
    assert rule is not None
    assert rule.allows(length)
    assert not rule.allows(length + 2)


@pytest.mark.parametrize(
    ("model_id", "least", "step"), [(160, 8, 20), (714, 18, 25), (803, 26, 32)]
)
def test_lengths_with_repetition(model_id: int, least: int, step: int) -> None:
    rule = length_rule(model_id)
    assert rule is not None
    assert [rule.allows(least + n) for n in (0, 1, step, 2 * step, 2 * step - 1)] == [
        True, False, True, True, False,
    ]  # fmt: skip


def test_all_published_models_load() -> None:
    assert len(MODELS) > 100
    for model_id in MODELS:
        definition = model_definition(model_id)
        assert definition is not None
        assert definition.group.points[0].name == "ID"
        assert definition.group.points[1].name == "L"


def test_unpublished_model_has_no_definition() -> None:
    assert model_definition(64999) is None
    assert length_rule(64999) is None
    assert decode_block(ModelBlock(64999, 0, 3), {2: 5}) == ()


@pytest.mark.parametrize("model_id", MODELS)
def test_random_images_decode_without_an_exception(model_id: int) -> None:
    definition = model_definition(model_id)
    assert definition is not None
    chance = random.Random(model_id)
    rule = definition.length_rule
    special = (0, 0xFFFF, 0x8000, 0x7FC0, 0x7F80, 1, 3)
    for _ in range(15):
        length = max(
            0, rule.least + (rule.step or 17) * chance.randrange(4) + chance.choice((0, 0, -3, 5))
        )
        registers: list[int | None] = [model_id, length]
        while len(registers) < length + HEADER_REGISTERS:
            roll = chance.random()
            registers.append(
                None
                if roll < 0.02
                else chance.choice(special)
                if roll < 0.4
                else chance.randrange(65536)
            )
        readings = decode_model(definition, registers)
        names = [reading.name for reading in readings]
        assert len(names) == len(set(names))
        for reading in readings:
            check_reading(reading)
        placed = layout(definition, length, registers)
        assert all(point.end <= length + HEADER_REGISTERS for point in placed.points)


def check_reading(reading: Reading) -> None:
    assert (reading.value is None) == (
        reading.state is ReadingState.NOT_IMPLEMENTED or reading.note == "infinite"
    )
    if isinstance(reading.value, str):
        assert reading.value.isprintable()
    if isinstance(reading.value, float):
        assert reading.value == reading.value
    if reading.state is ReadingState.SUSPECT:
        assert reading.note
    assert reading.raw


def test_pad_of_the_common_model_goes_with_its_length() -> None:
    definition = model_definition(1)
    assert definition is not None
    for length, padded in ((66, True), (65, False)):
        kinds = [p.definition.type for p in layout(definition, length).points]
        assert (PointType.PAD in kinds) == padded
        assert layout(definition, length).remainder == 0


def test_repeating_groups_have_names_with_their_index() -> None:
    definition = model_definition(160)
    assert definition is not None
    placed = {p.name: p for p in layout(definition, 48).points}
    # Model 160: 8 fixed registers, 20 for each module; DCW is the 12th register of a module.
    assert placed["module[2].DCW"].offset == placed["module[1].DCW"].offset + 20
    assert "module[3].DCW" not in placed
    assert placed["module[2].DCW"].scale_offset == placed["DCW_SF"].offset


def test_counts_of_nested_groups_come_from_their_points() -> None:
    definition = model_definition(705)
    assert definition is not None
    places = {p.name: p.offset for p in layout(definition, 60).points}
    registers: list[int | None] = [705, 60, *[0] * 60]
    registers[places["NPt"]] = 4
    registers[places["NCrv"]] = 2
    names = {p.name for p in layout(definition, 60, registers).points}
    assert {"Crv[1].Pt[4].V", "Crv[2].Pt[4].V"} <= names
    assert not names & {"Crv[1].Pt[5].V", "Crv[3].Pt[1].V"}


def test_count_that_claims_more_than_fits_is_cut_and_told() -> None:
    definition = model_definition(714)
    assert definition is not None
    places = {p.name: p.offset for p in layout(definition, 18 + 25).points}
    registers: list[int | None] = [714, 43, *[0] * 43]
    registers[places["NPrt"]] = 9
    found = layout(definition, 43, registers)
    assert found.counts_cut == ("Prt",)
    assert {p.name.split(".")[0] for p in found.points if "[" in p.name} == {"Prt[1]"}
