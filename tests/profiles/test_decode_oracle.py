"""Our decoder against that of pysunspec2 on random register images.

The two are known to differ, on purpose, in what `expected` lists: a point that differs in any other
way fails the test.
"""

from __future__ import annotations

import math
import random
import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sunspec2.modbus import client as reference  # pysunspec2 1.3.7
from sunspec_images import common_model, device

from busprobe.model.device import ModelBlock
from busprobe.model.reading import Reading, ReadingState
from busprobe.profiles import scalar
from busprobe.profiles.decode import INTEGER_NOTE, WRAPPED_NOTE, decode_block
from busprobe.profiles.definitions import model_definition
from busprobe.profiles.layout import PlacedPoint, layout

MODELS = (1, 103, 113, 160, 201, 202, 203, 204, 211, 212, 213, 214, 701)
LENGTHS = {1: 66, 160: 48}


class Image(reference.SunSpecModbusClientDevice):  # type: ignore[misc]
    """The reference client on an image instead of a bus."""

    def __init__(self, image: dict[int, int]) -> None:
        super().__init__()
        self.image = image

    def read(self, addr: float, count: float) -> bytes:
        span = range(int(addr), int(addr) + int(count))
        return b"".join(self.image[a].to_bytes(2, "big") for a in span)


def reference_values(image: dict[int, int], model_id: int) -> dict[str, tuple[Any, Any]]:
    """Computed and plain value of every point by the name that we give it."""
    client = Image(image)
    client.scan()
    model = client.models[model_id][-1]
    found: dict[str, tuple[Any, Any]] = {}

    def collect(group: Any, prefix: str) -> None:
        for name, point in group.points.items():
            found[prefix + name] = (point.cvalue, point.value)
        for name, inner in group.groups.items():
            many = isinstance(inner, list)
            for index, one in enumerate(inner if many else [inner], start=1):
                collect(one, f"{prefix}{name}[{index}]." if many else f"{prefix}{name}.")

    collect(model, "")
    return found


def random_body(model_id: int, length: int, seed: int) -> list[int]:
    """Registers of a model: any values, with the special ones and sensible scale factors often."""
    chance = random.Random(seed)
    definition = model_definition(model_id)
    assert definition is not None
    registers = [chance.randrange(65536) for _ in range(length + 2)]
    registers[:2] = [model_id, length]
    for point in layout(definition, length).points:
        if point.offset < 2:
            continue
        kind, size = point.definition.type, point.definition.size
        roll = chance.random()
        data: bytes | None = None
        if kind == "sunssf":
            exponent = -32768 if roll < 0.1 else chance.randint(-10, 10) if roll < 0.95 else 300
            data = struct.pack(">h", exponent)
        elif kind == "string":
            text = "".join(
                chance.choice("ABCxyz 0123-äß") for _ in range(chance.randrange(2 * size))
            )
            data = (
                text.encode()[: 2 * size]
                if roll < 0.8
                else bytes(registers[point.offset] & 0xFF for _ in range(4))
            )
            data = data.ljust(2 * size, b"\0")
        elif roll < 0.15:
            data = b"\x80" + bytes(2 * size - 1)
        elif roll < 0.3:
            data = b"\xff" * (2 * size)
        elif roll < 0.4:
            data = bytes(2 * size)
        elif kind == "float32" and roll < 0.9:
            value = chance.choice((230.1, -4711.0, 49.98, math.nan, math.inf, 1e-40, 0.0))
            data = struct.pack(">f", value)
        if data is not None:
            for index in range(size):
                registers[point.offset + index] = int.from_bytes(
                    data[2 * index : 2 * index + 2], "big"
                )
    return registers


def expected(point: PlacedPoint, ours: Reading, theirs: tuple[Any, Any], body: list[int]) -> bool:
    """Whether a difference is one of the known ones."""
    kind = point.definition.type
    raw = tuple(body[point.offset : point.end])
    assert ours.raw == raw
    if ours.note in (WRAPPED_NOTE, INTEGER_NOTE):
        return ours.state is ReadingState.SUSPECT and ours.value != theirs[0]
    if kind in scalar.ACCUMULATED and scalar.unsigned(raw) == 0:
        # acc = 0: the reference says "not implemented"; we keep the 0 of a mandatory counter.
        return theirs[1] is None and ours.value == (0 if point.definition.mandatory else None)
    if kind in scalar.ENUMERATED or kind in scalar.BITFIELD:
        # Words instead of numbers: the numbers are compared.
        plain = None if ours.value is None else scalar.unsigned(ours.raw)
        return bool(plain == theirs[1])
    if kind == "string":
        data = scalar.register_bytes(raw)
        try:
            text = data.rstrip(b"\0").decode()
        except UnicodeDecodeError:
            # The reference gives up on invalid UTF-8; we show its bytes.
            return theirs[1] is None and ours.value is not None
        if not text.strip(" "):
            return ours.value is None
        # Padding blanks go, what could act on a terminal is written out.
        return ours.value == theirs[1].split("\0")[0].strip() or not text.isprintable()
    if scalar.is_implemented(kind, raw) and kind in scalar.FLOATING:
        number = scalar.floating(raw)
        if math.isinf(number):
            return ours.value is None and ours.state is ReadingState.SUSPECT
    if "beyond" in ours.note:
        # A scale factor that cannot be: the reference scales all the same.
        return ours.state is ReadingState.SUSPECT and ours.value == theirs[1]
    return same(ours.value, theirs[0])


def same(ours: object, theirs: object) -> bool:
    if ours is None or theirs is None:
        return ours is theirs
    assert isinstance(ours, int | float)
    assert isinstance(theirs, int | float)
    return math.isclose(ours, theirs, rel_tol=1e-12)


@pytest.mark.parametrize("model_id", MODELS)
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_every_point_is_decoded_alike(model_id: int, seed: int) -> None:
    definition = model_definition(model_id)
    assert definition is not None
    length = LENGTHS.get(model_id, definition.length_rule.least)
    body = random_body(model_id, length, seed)
    blocks = [body] if model_id == 1 else [common_model(), body]
    image = device(*blocks)
    address = 40002 if model_id == 1 else 40070
    theirs = reference_values(image, model_id)
    ours = {r.name: r for r in decode_block(ModelBlock(model_id, address, length), image)}
    places = {p.name: p for p in layout(definition, length, body).points}
    pads = {name for name, p in places.items() if p.definition.type == "pad"}
    assert set(ours) == set(theirs) - pads
    wrong = {
        name: (reading, theirs[name])
        for name, reading in ours.items()
        if not expected(places[name], reading, theirs[name], body)
    }
    assert wrong == {}
