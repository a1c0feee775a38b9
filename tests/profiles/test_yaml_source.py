"""YAML into models: every mistake with its place."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, field_validator

from busprobe.model.errors import InputError
from busprobe.profiles.yaml_source import load_yaml_model


class Meter(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    unit: int
    role: Literal["grid", "load"] = "grid"
    note: str = ""
    scale: float | None = None

    @field_validator("unit")
    @classmethod
    def _usable(cls, value: int) -> int:
        if not 1 <= value <= 247:
            raise ValueError(f"{value} is no unit address")
        return value


class Plan(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str
    meters: tuple[Meter, ...]
    by_name: dict[str, Meter] = {}


def mistakes(text: str, **options: object) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_yaml_model(text, Plan, name="plan.yaml", **options)  # type: ignore[arg-type]
    return caught.value.cause.splitlines()


def test_good_document_becomes_the_model() -> None:
    plan = load_yaml_model("name: x\nmeters:\n  - unit: 0x10\n    note: 'no'\n", Plan)
    assert plan == Plan(name="x", meters=(Meter(unit=16, note="no"),))


def test_yaml_1_2_words_stay_text() -> None:
    # YAML 1.2.2, section 10.3.2 (core schema): only true/false are booleans, 12:30 is no number.
    plan = load_yaml_model("name: no\nmeters:\n- {unit: 010, note: 12:30}\n", Plan)
    assert (plan.name, plan.meters[0].unit, plan.meters[0].note) == ("no", 10, "12:30")


def test_every_mistake_is_told_with_line_and_column() -> None:
    text = "name: x\nmeters:\n  - unti: 3\n  - unit: 300\n    role: battery\n  - unit: a\n"
    lines = mistakes(text)
    assert [line.split(": ")[:2] for line in lines] == [
        ["plan.yaml:3:5", "meters.0.unit"],
        ["plan.yaml:3:5", "meters.0.unti"],
        ["plan.yaml:4:11", "meters.1.unit"],
        ["plan.yaml:5:11", "meters.1.role"],
        ["plan.yaml:6:11", "meters.2.unit"],
    ]
    assert "300 is no unit address" in lines[2]
    assert "is missing" in lines[0]


def test_parts_of_a_union_are_not_taken_for_keys() -> None:
    (line,) = {x.split(": must")[0] for x in mistakes("name: x\nmeters: [{unit: 1, scale: z}]\n")}
    assert line == "plan.yaml:2:27: meters.0.scale"


def test_key_of_a_mapping_is_placed() -> None:
    (line,) = mistakes("name: x\nmeters: []\nby_name:\n  a: {unit: 1}\n  b: {unit: 999}\n")
    assert line.startswith("plan.yaml:5:13: by_name.b.unit: 999")


def test_duplicate_key_is_told_where_it_is_repeated() -> None:
    (line,) = mistakes("name: x\nmeters: []\nname: y\n")
    assert line.startswith("plan.yaml:3:1: ")
    assert 'duplicate key "name"' in line


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("", "is empty"),
        ("# nothing\n", "is empty"),
        ("just words", "must be a mapping"),
        ("- a\n", "must be a mapping"),
        ("a: [1, 2", "plan.yaml:1:9"),
        ("\tname: x", "plan.yaml:1:1"),
        ("name: x\n---\nname: y\n", "plan.yaml:2:1"),
        ("name: !!python/object:os.system {a: 1}\nmeters: []", "plan"),
        ("name: !shell rm\nmeters: []", "tag"),
        ("name: *nowhere\nmeters: []", "undefined alias"),
        ("name: " + "[" * 60 + "]" * 60 + "\nmeters: []", "nested deeper"),
        ("[" * 5000, "deeply"),
        ("name: \x07\nmeters: []", "plan.yaml"),
    ],
)
def test_what_is_no_document_is_refused_clearly(text: str, part: str) -> None:
    lines = mistakes(text)
    assert any(part in line for line in lines)
    assert all("\x07" not in line for line in lines)


def test_aliases_may_not_blow_the_document_up() -> None:
    text = "a: &a [1,1,1,1,1,1,1,1,1,1]\n"
    for this, before in zip("bcdefgh", "abcdefg", strict=True):
        text += f"{this}: &{this} [{','.join(['*' + before] * 10)}]\n"
    (line,) = mistakes(text)
    assert "aliases" in line


def test_oversized_text_and_file_are_refused(tmp_path: Path) -> None:
    assert "larger than 10 bytes" in mistakes("name: a long name", largest_bytes=10)[0]
    path = tmp_path / "big.yaml"
    path.write_text("#" * 300_000)
    with pytest.raises(InputError, match="larger than 262144 bytes"):
        load_yaml_model(path, Plan)


def test_wrong_encoding_is_placed(tmp_path: Path) -> None:
    path = tmp_path / "latin.yaml"
    path.write_bytes("name: x\nmeters: [] # Zähler\n".encode("latin-1"))
    with pytest.raises(InputError) as caught:
        load_yaml_model(path, Plan)
    assert f"{path}:2:15: is not UTF-8" in caught.value.cause


def test_byte_order_mark_is_no_mistake(tmp_path: Path) -> None:
    path = tmp_path / "bom.yaml"
    path.write_bytes("name: x\nmeters: []\n".encode("utf-8-sig"))
    assert load_yaml_model(path, Plan).name == "x"


def test_missing_file_and_folder_are_told(tmp_path: Path) -> None:
    for path in (tmp_path / "none.yaml", tmp_path):
        with pytest.raises(InputError) as caught:
            load_yaml_model(path, Plan, what="plan")
        assert str(path) in caught.value.cause
        assert "readable plan" in caught.value.next_step


def test_text_of_the_file_is_made_safe_in_messages() -> None:
    lines = mistakes('name: x\nmeters: [{unit: "\\e[31m"}]\n"\\u202eevil": 1\n')
    joined = "\n".join(lines)
    assert "\x1b" not in joined
    assert "\u202e" not in joined
    assert len(lines) == 2


@given(st.text(max_size=200))
def test_any_text_gives_a_model_or_an_input_error(text: str) -> None:
    try:
        plan = load_yaml_model(text, Plan)
    except InputError as error:
        assert error.cause  # noqa: PT017
    else:
        assert isinstance(plan, Plan)


def test_a_file_of_another_kind_is_not_poured_out(tmp_path: Path) -> None:
    file = tmp_path / "other.yaml"
    file.write_text("root:x:0:0:root:/root:/bin/sh\n" * 200, encoding="utf-8")
    with pytest.raises(InputError) as raised:
        load_yaml_model(file, Plan, what="profile")
    assert "must be a mapping" in raised.value.cause
    assert raised.value.cause.endswith("…")
    assert len(raised.value.cause) < 250
