"""A meter with a register map of its own, without SunSpec."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from busprobe_sim.meters.encoding import number_registers
from busprobe_sim.meters.registers import RegisterMap, Stretch

_SIZES = {"int16": 1, "uint16": 1, "int32": 2, "uint32": 2, "float32": 2, "int64": 4, "uint64": 4}


@dataclass(frozen=True, slots=True)
class PlainRegister:
    """One value of a register map.

    Attributes:
        address: First register (0-based, as sent).
        quantity: Name of the quantity, or "" for a constant.
        kind: "int16", "uint16", "int32", "uint32", "float32", "int64" or "uint64".
        step: Value of one count (V, A, W, var, VA, Hz, Wh, or 1).
        constant: Content where `quantity` is "".
        low_word_first: Whether the low word comes first.
    """

    address: int
    quantity: str = ""
    kind: str = "int16"
    step: float = 1.0
    constant: float = 0.0
    low_word_first: bool = False


def plain_registers(
    table: Sequence[PlainRegister],
    readings: Callable[[int], Mapping[str, float]],
    gaps_read_zero: bool = False,
) -> RegisterMap:
    """A register map from a table.

    Args:
        table: The values.
        readings: What the instrument shows at an instant [ns].
        gaps_read_zero: Whether holes of the map read 0 instead of being refused.
    """
    return RegisterMap([_stretch(entry, readings) for entry in table], gaps_read_zero)


def _stretch(entry: PlainRegister, readings: Callable[[int], Mapping[str, float]]) -> Stretch:
    size = _SIZES[entry.kind]

    def content(now_ns: int) -> Sequence[int]:
        value = readings(now_ns)[entry.quantity] if entry.quantity else entry.constant
        words = number_registers(entry.kind, value / entry.step, size)
        return words[::-1] if entry.low_word_first else words

    return Stretch(entry.address, size, content)
