"""Register maps: stretches of registers whose content follows the instant."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol


class NoSuchRegister(Exception):
    """The combination of start and length is not in the map: exception code 02."""


class Registers(Protocol):
    """Anything that can be read like a register map."""

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents of `count` registers.

        Raises:
            NoSuchRegister: Not all of them exist.
        """
        ...


@dataclass(frozen=True, slots=True)
class Stretch:
    """Registers side by side that are evaluated at one instant.

    Attributes:
        address: First register.
        size: Registers.
        content: Gives all of them at an instant [ns].
    """

    address: int
    size: int
    content: Callable[[int], Sequence[int]]


def fixed(address: int, words: Sequence[int]) -> Stretch:
    """A stretch whose content never changes."""
    kept = tuple(words)
    return Stretch(address, len(kept), lambda _now_ns: kept)


class RegisterMap:
    """Stretches in address order.

    Args:
        stretches: They must not overlap.
        gaps_read_zero: Whether registers between the first and the last stretch that do not exist
            read 0 instead of being refused.
    """

    def __init__(self, stretches: Sequence[Stretch], gaps_read_zero: bool = False) -> None:
        self._stretches = sorted(stretches, key=lambda stretch: stretch.address)
        self._gaps_read_zero = gaps_read_zero

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        end = address + count
        found: dict[int, int] = {}
        for stretch in self._stretches:
            if stretch.address < end and address < stretch.address + stretch.size:
                words = stretch.content(now_ns)
                first = max(address, stretch.address)
                last = min(end, stretch.address + stretch.size)
                for place in range(first, last):
                    found[place] = words[place - stretch.address] & 0xFFFF
        if len(found) < count and not (self._gaps_read_zero and self._spans(address, end)):
            raise NoSuchRegister
        return [found.get(place, 0) for place in range(address, end)]

    def _spans(self, address: int, end: int) -> bool:
        last = self._stretches[-1]
        return self._stretches[0].address <= address and end <= last.address + last.size


class Patched:
    """A register map with single registers changed.

    Args:
        inner: The map.
        patches: New content of a register from its content and the instant [ns].
    """

    def __init__(self, inner: Registers, patches: Mapping[int, Callable[[int, int], int]]) -> None:
        self._inner = inner
        self._patches = patches

    def read(self, address: int, count: int, now_ns: int) -> list[int]:
        """Contents at an instant; see `Registers.read`."""
        words = self._inner.read(address, count, now_ns)
        for place in range(address, address + count):
            patch = self._patches.get(place)
            if patch is not None:
                words[place - address] = patch(words[place - address], now_ns) & 0xFFFF
        return words
