"""The published SunSpec model definitions, as shipped in the package pysunspec2."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.util import find_spec
from pathlib import Path


@dataclass(frozen=True, slots=True)
class PointDefinition:
    """One point of a model.

    Attributes:
        name: Its name.
        offset: First register, counted from the model's ID register.
        size: Registers.
        kind: SunSpec type.
        scale: Name of its scale factor, or None.
    """

    name: str
    offset: int
    size: int
    kind: str
    scale: str | None


@cache
def model_points(model_id: int) -> tuple[PointDefinition, ...]:
    """Points of a model without repeating groups, ID and L included.

    Raises:
        FileNotFoundError: The definition is not installed.
        ValueError: The model has repeating groups.
    """
    # Only the data of the package is wanted; find_spec does not run its code.
    spec = find_spec("sunspec2")
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError("package pysunspec2 is not installed")
    folder = Path(next(iter(spec.submodule_search_locations)), "models", "json")
    text = (folder / f"model_{model_id}.json").read_text(encoding="utf-8")
    group = json.loads(text)["group"]
    if group.get("groups"):
        raise ValueError(f"model {model_id} has repeating groups")
    points = []
    offset = 0
    for point in group["points"]:
        scale = point.get("sf")
        points.append(PointDefinition(point["name"], offset, point["size"], point["type"], scale))
        offset += point["size"]
    return tuple(points)
