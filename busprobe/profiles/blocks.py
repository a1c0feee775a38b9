"""The fewest legal reads that cover registers, with every value in one piece.

In this order of weight:

1. A value of several registers is never torn (unless it is longer than a read may be).
2. As few reads as possible.
3. Among those, as few values as possible apart from their scale factor: scale factors of real
   devices change between two reads.
4. Among those, as few registers as possible.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

from busprobe.model.device import ModelBlock
from busprobe.profiles.definitions import (
    HEADER_REGISTERS,
    PointType,
    model_definition,
)
from busprobe.profiles.layout import layout
from busprobe.profiles.reads import MOST_REGISTERS, READ_HOLDING, RegisterRead


@dataclass(frozen=True, slots=True)
class Span:
    """Registers that hold one value."""

    address: int
    quantity: int = 1

    @property
    def end(self) -> int:
        """Address behind the last register."""
        return self.address + self.quantity


def _atoms(spans: Iterable[Span], limit: int) -> list[Span]:
    """Spans in order, overlapping ones joined, those longer than a read cut up."""
    joined: list[Span] = []
    for span in sorted(set(spans), key=lambda s: (s.address, s.end)):
        if joined and span.address < joined[-1].end:
            last = joined[-1]
            joined[-1] = Span(last.address, max(last.end, span.end) - last.address)
        else:
            joined.append(span)
    return [
        Span(start, min(limit, span.end - start))
        for span in joined
        for start in range(span.address, span.end, limit)
    ]


def plan_reads(
    spans: Iterable[Span],
    *,
    together: Iterable[tuple[Span, Span]] = (),
    limit: int = MOST_REGISTERS,
    bridge: int | None = None,
    function: int = READ_HOLDING,
    purpose: str = "values",
) -> tuple[RegisterRead, ...]:
    """Plan reads that cover all spans.

    Args:
        spans: The values wanted; they may overlap.
        together: Pairs of spans that belong into one read if possible.
        limit: Most registers in one read, 1..125.
        bridge: Most registers that nobody wants, read over in one go; None: any number. 0 for a
            device that refuses to read across holes in its map.
        function: Function code of the reads.
        purpose: Their purpose, in words.

    Raises:
        ValueError: The limit is not legal.
    """
    if not 1 <= limit <= MOST_REGISTERS:
        raise ValueError(f"{limit} registers cannot be read at once")
    atoms = _atoms(spans, limit)
    if not atoms:
        return ()
    starts = [atom.address for atom in atoms]

    def index_of(span: Span) -> int:
        return bisect_left(starts, span.address + 1) - 1

    pairs = {(min(a, b), max(a, b)) for a, b in ((index_of(x), index_of(y)) for x, y in together)}
    rights: dict[int, list[int]] = {}
    for left, right in pairs:
        if left != right and left >= 0:
            rights.setdefault(left, []).append(right)
    ends = [atom.end for atom in atoms]

    # best[i]: least (reads, pairs apart, registers) for the first i atoms; cut[i]: where its last
    # read begins.
    best: list[tuple[int, int, int]] = [(0, 0, 0)]
    cut = [0]
    for i in range(1, len(atoms) + 1):
        apart = 0
        choice: tuple[tuple[int, int, int], int] | None = None
        for j in range(i - 1, -1, -1):
            quantity = ends[i - 1] - starts[j]
            hole = bridge is not None and j + 1 < i and starts[j + 1] - ends[j] > bridge
            if quantity > limit or hole:
                break
            if j in rights:
                apart += sum(right >= i for right in rights[j])
            before = best[j]
            cost = (before[0] + 1, before[1] + apart, before[2] + quantity)
            if choice is None or cost < choice[0]:
                choice = (cost, j)
        assert choice is not None  # one atom always fits into a read
        best.append(choice[0])
        cut.append(choice[1])
    reads = []
    i = len(atoms)
    while i:
        j = cut[i]
        reads.append(RegisterRead(function, starts[j], atoms[i - 1].end - starts[j], purpose))
        i = j
    return tuple(reversed(reads))


def model_reads(
    block: ModelBlock,
    *,
    limit: int = MOST_REGISTERS,
    header: bool = False,
    image: Mapping[int, int] | None = None,
) -> tuple[RegisterRead, ...]:
    """Plan the reads of one SunSpec model.

    Args:
        block: Where it lies.
        limit: Most registers in one read.
        header: Whether to read ID and L again; the walk knows them, and without them the 124
            registers of the float meters (211-214) fit into one read instead of two.
        image: What was read so far, by address: the counts in it tell where the groups of models
            705-712 and their like begin. Without them, values behind the fixed part may be torn.
    """
    if image:
        return _model_reads(block, limit, header, image)
    return _unread_model_reads(block, limit, header)


@lru_cache(maxsize=1024)
def _unread_model_reads(block: ModelBlock, limit: int, header: bool) -> tuple[RegisterRead, ...]:
    # The same at every poll of a device.
    return _model_reads(block, limit, header, {})


def _model_reads(
    block: ModelBlock, limit: int, header: bool, known: Mapping[int, int]
) -> tuple[RegisterRead, ...]:
    purpose = f"SunSpec model {block.model_id}"
    first = block.address + (0 if header else HEADER_REGISTERS)
    end = block.address + HEADER_REGISTERS + block.length
    definition = model_definition(block.model_id)
    if definition is None:
        return plan_reads((Span(a) for a in range(first, end)), limit=limit, purpose=purpose)
    registers = [known.get(block.address + i) for i in range(block.length + HEADER_REGISTERS)]
    placed = layout(definition, block.length, registers).points
    counts = definition.group.count_points
    unknown = [p for p in placed if p.name in counts and registers[p.offset] is None]
    if unknown:
        fixed = definition.group.fixed_registers
        placed = tuple(p for p in placed if p.end <= fixed)
        rest = [Span(a) for a in range(block.address + fixed, end)]
    else:
        rest = []
    spans = list(rest)
    together: list[tuple[Span, Span]] = []
    for point in placed:
        span = Span(block.address + point.offset, point.definition.size)
        if span.address < first or point.definition.type is PointType.PAD:
            continue
        spans.append(span)
        if point.scale_offset is not None:
            together.append((span, Span(block.address + point.scale_offset)))
    return plan_reads(spans, together=together, limit=limit, purpose=purpose)


def image_of(
    answers: Iterable[tuple[RegisterRead, Sequence[int] | None]],
) -> dict[int, int]:
    """Register values by address, from reads and what they brought (None: nothing)."""
    image: dict[int, int] = {}
    for read, registers in answers:
        image.update(enumerate(registers or (), start=read.address))
    return image
