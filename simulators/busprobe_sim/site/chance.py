"""Chance as a function of place and time instead of a sequence.

A site must answer for any instant without having lived through the time before it, and two meters
that ask in another order must see the same site. So a random number is a hash of who asks and when.
The mixing function is SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom number
generators", OOPSLA 2014).
"""

from __future__ import annotations

import math
from hashlib import blake2b

_MASK = (1 << 64) - 1
_GOLDEN = 0x9E3779B97F4A7C15
_SIDE = 0xD1B54A32D192ED03


def _mix(value: int) -> int:
    value = (value + _GOLDEN) & _MASK
    value = ((value ^ (value >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    value = ((value ^ (value >> 27)) * 0x94D049BB133111EB) & _MASK
    return value ^ (value >> 31)


class Chance:
    """Random numbers of one process, addressed by an index and a channel.

    Args:
        seed: Seed of the whole bus.
        name: Names the process; other names give independent numbers.
    """

    __slots__ = ("_drifts", "_key")

    def __init__(self, seed: int, name: str) -> None:
        digest = blake2b(f"{seed}/{name}".encode(), digest_size=8).digest()
        self._key = int.from_bytes(digest, "big")
        # By channel: the place where a drift was last asked for, and the numbers on its two sides.
        self._drifts: dict[int, tuple[int, float, float]] = {}

    def uniform(self, index: int, channel: int = 0) -> float:
        """A number from [0, 1)."""
        word = _mix((self._key + index * _GOLDEN + channel * _SIDE) & _MASK)
        return (word >> 11) * 2.0**-53

    def between(self, low: float, high: float, index: int, channel: int = 0) -> float:
        """A number from [low, high)."""
        return low + (high - low) * self.uniform(index, channel)

    def normal(self, index: int, channel: int = 0) -> float:
        """A number of mean 0 and standard deviation 1 (Box-Muller)."""
        radius = math.sqrt(-2.0 * math.log(1.0 - self.uniform(index, 2 * channel)))
        return radius * math.cos(2.0 * math.pi * self.uniform(index, 2 * channel + 1))

    def poisson(self, mean: float, index: int, channel: int = 0) -> int:
        """A count of mean `mean` (by inversion; `mean` of a few at most)."""
        left = self.uniform(index, channel)
        share = math.exp(-mean)
        count = 0
        while left >= share and count < 50:
            left -= share
            count += 1
            share *= mean / count
        return count

    def drift(self, t_s: float, period_s: float, channel: int = 0) -> float:
        """A smooth wander through [-1, 1] that turns about once in `period_s` [s]."""
        place = t_s / period_s
        index = math.floor(place)
        part = place - index
        weight = part * part * (3.0 - 2.0 * part)
        known = self._drifts.get(channel)
        if known is None or known[0] != index:
            known = (index, self.uniform(index, channel), self.uniform(index + 1, channel))
            self._drifts[channel] = known
        _, before, after = known
        return 2.0 * (before + (after - before) * weight) - 1.0
