"""The published SunSpec model definitions, one model at a time and only when asked for.

The JSON files come with the package pysunspec2 (they are those of the SunSpec Alliance's public
`models` repository). The package itself is never imported: its folder is found and read.
"""

from __future__ import annotations

import importlib.util
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

from busprobe.model.errors import InputError

COMMON_MODEL = 1
# SunSpec Device Information Model Specification: the end model.
END_MODEL = 0xFFFF
HEADER_REGISTERS = 2
# L of model 1 is 66 in the published definition; 65 is the older form without the pad register.
COMMON_LENGTHS = (66, 65)


class PointType(StrEnum):
    """Type of a point, as the published JSON schema names it."""

    INT16 = "int16"
    INT32 = "int32"
    INT64 = "int64"
    UINT16 = "uint16"
    UINT32 = "uint32"
    UINT64 = "uint64"
    RAW16 = "raw16"
    COUNT = "count"
    ACC16 = "acc16"
    ACC32 = "acc32"
    ACC64 = "acc64"
    ENUM16 = "enum16"
    ENUM32 = "enum32"
    BITFIELD16 = "bitfield16"
    BITFIELD32 = "bitfield32"
    BITFIELD64 = "bitfield64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    STRING = "string"
    SUNSSF = "sunssf"
    PAD = "pad"
    IPADDR = "ipaddr"
    IPV6ADDR = "ipv6addr"
    EUI48 = "eui48"


@dataclass(frozen=True, slots=True)
class PointDefinition:
    """One point of a model.

    Attributes:
        size: Registers.
        scale: Name of the scale factor point, a constant exponent, or None.
        units: Unit as published, or "".
        symbols: Word by value (enum) or by bit number (bitfield).
        mandatory: Whether every device that has the model must implement it.
    """

    name: str
    type: PointType
    size: int
    scale: str | int | None = None
    units: str = ""
    label: str = ""
    mandatory: bool = False
    symbols: Mapping[int, str] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class GroupDefinition:
    """Points that follow each other, then the groups inside.

    Attributes:
        count: None: occurs once and has no index. A name: the point that says how often. A number:
            so often, where 0 means as often as the length of the model allows.
    """

    name: str
    points: tuple[PointDefinition, ...]
    groups: tuple[GroupDefinition, ...] = ()
    count: int | str | None = None

    @property
    def point_registers(self) -> int:
        """Registers of its own points."""
        return sum(point.size for point in self.points)

    @property
    def fixed_registers(self) -> int:
        """Registers of one occurrence without anything that repeats inside."""
        inner = sum(group.fixed_registers for group in self.groups if group.count is None)
        return self.point_registers + inner

    @property
    def repeats_inside(self) -> bool:
        """Whether anything inside repeats."""
        return any(g.count is not None or g.repeats_inside for g in self.groups)

    @property
    def count_points(self) -> frozenset[str]:
        """Names of the points that say how often it, or anything inside, occurs."""
        own = frozenset({self.count}) if isinstance(self.count, str) else frozenset[str]()
        return own.union(*(inner.count_points for inner in self.groups))


@dataclass(frozen=True, slots=True)
class LengthRule:
    """Which lengths L the definition of a model allows.

    Attributes:
        least: L without any repetition.
        step: Registers of one repetition; 0 when nothing repeats, None when the lengths depend on
            counts inside the model.
        also: Further lengths that are legal.
    """

    least: int
    step: int | None
    also: tuple[int, ...] = ()

    def allows(self, length: int) -> bool:
        """Whether L may be this."""
        if length in self.also or length == self.least:
            return True
        if length < self.least:
            return False
        return self.step is None or (self.step > 0 and (length - self.least) % self.step == 0)

    @property
    def fixed(self) -> bool:
        """Whether there is only one length (or, for the common model, two)."""
        return self.step == 0


@dataclass(frozen=True, slots=True, eq=False)
class ModelDefinition:
    """A published model; each is read once, so one is equal to itself alone."""

    model_id: int
    label: str
    group: GroupDefinition

    @property
    def name(self) -> str:
        """Name of the model as published."""
        return self.group.name

    @property
    def length_rule(self) -> LengthRule:
        """Which L it may have."""
        least = self.group.fixed_registers - HEADER_REGISTERS
        also = COMMON_LENGTHS if self.model_id == COMMON_MODEL else ()
        repeating = [g for g in self.group.groups if g.count is not None]
        nested = any(g.repeats_inside for g in self.group.groups)
        if nested or len(repeating) > 1:
            return LengthRule(least, None, also)
        step = repeating[0].fixed_registers if repeating else 0
        return LengthRule(least, step, also)


def _point(entry: Mapping[str, Any]) -> PointDefinition:
    symbols = {
        int(symbol["value"]): str(symbol["name"])
        for symbol in entry.get("symbols", ())
        if isinstance(symbol["value"], int)
    }
    scale = entry.get("sf")
    return PointDefinition(
        name=entry["name"],
        type=PointType(entry["type"]),
        size=int(entry["size"]),
        scale=scale if isinstance(scale, int | str) else None,
        units=entry.get("units", ""),
        label=entry.get("label", ""),
        mandatory=entry.get("mandatory", "O") == "M",
        symbols=MappingProxyType(symbols),
    )


def _group(entry: Mapping[str, Any]) -> GroupDefinition:
    return GroupDefinition(
        name=entry["name"],
        points=tuple(_point(point) for point in entry.get("points", ())),
        groups=tuple(_group(group) for group in entry.get("groups", ())),
        count=entry.get("count"),
    )


@lru_cache(maxsize=1)
def definition_folder() -> Path:
    """The folder of the published JSON files.

    Raises:
        InputError: It is not installed.
    """
    spec = importlib.util.find_spec("sunspec2")
    for place in (spec.submodule_search_locations or ()) if spec else ():
        folder = Path(place) / "models" / "json"
        if folder.is_dir():
            return folder
    raise InputError(
        "The published SunSpec model definitions are missing.", "Install the package pysunspec2."
    )


@lru_cache(maxsize=1)
def published_models() -> frozenset[int]:
    """The numbers of all published models."""
    names = (path.stem.removeprefix("model_") for path in definition_folder().glob("model_*.json"))
    return frozenset(int(name) for name in names if name.isdecimal())


@lru_cache(maxsize=256)
def model_definition(model_id: int) -> ModelDefinition | None:
    """The definition of a model, or None when none is published under this number."""
    if model_id not in published_models():
        return None
    path = definition_folder() / f"model_{model_id}.json"
    entry = json.loads(path.read_text(encoding="utf-8"))
    group = _group(entry["group"])
    return ModelDefinition(model_id, entry["group"].get("label", group.name), group)


def length_rule(model_id: int) -> LengthRule | None:
    """Which L a model may have, or None when it is not published."""
    definition = model_definition(model_id)
    return None if definition is None else definition.length_rule
