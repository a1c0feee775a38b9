"""The parameter tables of the simulators' README tell what the code does."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from busprobe.model.line import LineSettings
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.levels import Bias, Driver, Terminator
from busprobe_sim.physics.receiver import Comparator
from tests.simulators.line.line_bench import Registers, answer, read

README = Path(__file__).parents[3] / "simulators" / "README.md"
CLASSES = (
    LineParameters,
    Terminator,
    Bias,
    NodeParameters,
    Driver,
    Comparator,
    PortParameters,
    StationParameters,
    MasterParameters,
)


def table(name: str) -> dict[str, str]:
    """Default by field, as the README has it."""
    section = README.read_text(encoding="utf-8").split(f"### {name}\n")[1].split("\n#")[0]
    return dict(re.findall(r"^\| `(\w+)` \| ([^|]+?) \|", section, re.MULTILINE))


@pytest.mark.parametrize("described", CLASSES, ids=lambda cls: cls.__name__)
def test_every_parameter_is_described_with_its_default(described: type) -> None:
    told = table(described.__name__)
    fields = {field.name: field for field in dataclasses.fields(described)}
    assert list(told) == list(fields)
    plain = (bool, int, float, str, type(None), tuple)
    compared = 0
    for name, field in fields.items():
        value = field.default
        if field.default_factory is not dataclasses.MISSING:
            value = field.default_factory()
        simple = not isinstance(value, tuple) or isinstance(value[0], float)
        if (isinstance(value, plain) and simple) or isinstance(value, LineSettings):
            assert told[name] == str(value), name
            compared += 1
    assert compared >= 1


def test_the_example_runs() -> None:
    text = README.read_text(encoding="utf-8")
    code = re.findall(r"```python\n(.*?)```", text, re.DOTALL)[0]
    names: dict[str, object] = {"server": Registers()}
    exec(code, names)
    chunk, line = names["chunk"], names["line"]
    assert isinstance(line, Line)
    assert [entry.data for entry in line.log] == [read(1), answer(1)]
    assert getattr(chunk, "data", None) == answer(1)
