"""Where every point of a model lies, once its length and its counts are known.

    offset 0  1  2 ...                                 L+2
           ID L  points of the model | group[1] | group[2] | ...

Groups that occur once have no index ("Crv[1].MustTrip.Pt[2].V"); indices count from 1. A group
whose count is 0 in the definition fills what is left of L; a count that a point states is cut down
to what fits into L.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from busprobe.profiles.definitions import (
    COMMON_MODEL,
    HEADER_REGISTERS,
    GroupDefinition,
    ModelDefinition,
    PointDefinition,
    PointType,
)

_COUNT_NOT_IMPLEMENTED = 0xFFFF


@dataclass(frozen=True, slots=True)
class PlacedPoint:
    """A point at its place.

    Attributes:
        name: With the groups it is in.
        offset: Of its first register, the ID register being 0.
        scale_offset: Offset of its scale factor, or None.
        scale_mandatory: Whether the scale factor it refers to is mandatory.
    """

    name: str
    definition: PointDefinition
    offset: int
    scale_offset: int | None = None
    scale_mandatory: bool = False

    @property
    def end(self) -> int:
        """Offset behind its last register."""
        return self.offset + self.definition.size


@dataclass(frozen=True, slots=True)
class Layout:
    """All points of a model that lie within its length.

    Attributes:
        remainder: Registers within L that belong to no point; negative: points that L cuts off.
        counts_cut: Groups that occur less often than their count point says, because L ends.
    """

    points: tuple[PlacedPoint, ...]
    remainder: int
    counts_cut: tuple[str, ...] = ()


class _Placer:
    def __init__(
        self, definition: ModelDefinition, length: int, registers: Sequence[int | None]
    ) -> None:
        self.model = definition
        self.total = length + HEADER_REGISTERS
        self.registers = registers
        self.placed: list[PlacedPoint] = []
        self.cut: list[str] = []
        self.top: dict[str, tuple[int, PointDefinition]] = {}

    def _count(self, name: str, own: dict[str, tuple[int, PointDefinition]]) -> int | None:
        found = own.get(name) or self.top.get(name)
        if found is None or found[0] >= len(self.registers):
            return None
        value = self.registers[found[0]]
        return None if value is None or value == _COUNT_NOT_IMPLEMENTED else value

    def _repeat(
        self,
        group: GroupDefinition,
        prefix: str,
        offset: int,
        own: dict[str, tuple[int, PointDefinition]],
    ) -> int:
        assert group.count is not None
        wanted = self._count(group.count, own) if isinstance(group.count, str) else group.count
        endless = wanted is None or (wanted == 0 and group.count == 0)
        index = 0
        while endless or index < (wanted or 0):
            if offset + max(group.fixed_registers, 1) > self.total:
                if not endless:
                    self.cut.append(f"{prefix}{group.name}")
                break
            index += 1
            after = self.place(group, f"{prefix}{group.name}[{index}].", offset)
            if after <= offset:
                break
            offset = after
        return offset

    def place(self, group: GroupDefinition, prefix: str, offset: int) -> int:
        own: dict[str, tuple[int, PointDefinition]] = {}
        cursor = offset
        short_common = self.model.model_id == COMMON_MODEL and self.total < group.point_registers
        points = [p for p in group.points if not (short_common and p.type is PointType.PAD)]
        for point in points:
            own[point.name] = (cursor, point)
            cursor += point.size
        if not prefix:
            self.top = own
        for point in points:
            scale = None
            if isinstance(point.scale, str):
                scale = own.get(point.scale) or self.top.get(point.scale)
            self.placed.append(
                PlacedPoint(
                    name=prefix + point.name,
                    definition=point,
                    offset=own[point.name][0],
                    scale_offset=scale[0] if scale else None,
                    scale_mandatory=scale[1].mandatory if scale else False,
                )
            )
        for inner in group.groups:
            if inner.count is None:
                cursor = self.place(inner, f"{prefix}{inner.name}.", cursor)
            else:
                cursor = self._repeat(inner, prefix, cursor, own)
        return cursor


def layout(
    definition: ModelDefinition, length: int, registers: Sequence[int | None] = ()
) -> Layout:
    """Place the points of a model.

    Args:
        definition: The published model.
        length: L as the device states it.
        registers: What was read so far, the ID register first, None where nothing was read; only
            the count points matter. A count that is not known is taken as "as many as fit".
    """
    if registers and definition.group.count_points:
        return _place(definition, length, registers)
    return _place_unread(definition, length)


@lru_cache(maxsize=256)
def _place_unread(definition: ModelDefinition, length: int) -> Layout:
    # A device is read again and again, and most models have no counts: their points lie still.
    return _place(definition, length, ())


def _place(definition: ModelDefinition, length: int, registers: Sequence[int | None]) -> Layout:
    placer = _Placer(definition, length, registers)
    end = placer.place(definition.group, "", 0)
    inside = tuple(point for point in placer.placed if point.end <= placer.total)
    return Layout(inside, placer.total - end, tuple(placer.cut))
