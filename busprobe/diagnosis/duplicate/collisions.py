"""What is heard when a known answer collides with itself.

Devices of any make answer the request for the SunSpec mark alike. Where two of them begin a little
apart, the line carries their common bits, and where they differ what the receiver makes of two
drivers that fight: a 1, a 0, or the bit before. So for every shift it is known which bytes come.
Noise does not produce them.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import product

from busprobe.diagnosis.duplicate.tails import bits_of
from busprobe.model.line import Parity

# Steps in a bit. A receiver samples in the middle of bits: what it reads changes at halves only, so
# that odd quarters stand for all shifts.
_STEPS = 4
# What two drivers that fight read as: a level, or None for the last one. First where the earlier
# device sends 1 and the later one 0, then the other way round: which of them is nearer or stronger
# need not be the same for both.
_READ_AS = (1, 0, None)
_ONE_AGAINST_ZERO, _ZERO_AGAINST_ONE = 2, 3
# How long a driver is on around its answer, sending 1: not at all, half a bit, or two [steps].
_AROUND = (0, _STEPS // 2, 2 * _STEPS)
# So many bytes may differ from what drivers of equal strength make (noise, clocks apart), and so
# many must differ from the whole answer. Where one device is stronger, the answer may be all right
# but for its start, as with noise: there every byte must be as expected.
_MOST_WRONG = 1
_LEAST_DAMAGE = 4


def _levels(frame: bytes, parity: Parity) -> list[int]:
    line, length = bits_of(frame, parity)
    return [(line >> place) & 1 for place in range(length) for _ in range(_STEPS)]


def _overlaid(sent: list[int], shift: int, around: int) -> list[int]:
    """The line with the same answer once more, some steps later.

    Each step is a level that stands, or one of the two ways in which drivers fight.
    """
    driven = [1] * around + sent + [1] * around
    steps = driven[:shift]
    for one, other in zip(driven[shift:], driven, strict=False):
        steps.append(one if one == other else _ONE_AGAINST_ZERO if one else _ZERO_AGAINST_ONE)
    return steps + driven[-shift:]


def _fought(steps: list[int], one_against_zero: int | None, zero_against_one: int | None) -> bytes:
    """Levels of the line, when it is known how a fight ends."""
    read = (0, 1, one_against_zero, zero_against_one)
    levels = bytearray()
    last = 1
    for step in steps:
        level = read[step]
        last = last if level is None else level
        levels.append(last)
    return bytes(levels)


def _received(levels: bytes, size: int, again_at_once: bool) -> bytes:
    """Bytes that a receiver delivers; `size` bits a character."""
    heard = bytearray()
    levels += b"\x01" * (_STEPS * (size + 1))
    middle = _STEPS // 2
    at = levels.find(0)
    while at >= 0:
        if levels[at + middle]:
            # Too short for a start bit.
            at = levels.find(0, at + middle)
            continue
        first = at + middle + _STEPS
        heard.append(sum(levels[first + _STEPS * bit] << bit for bit in range(8)))
        stop = at + _STEPS * (size - 1) + middle
        if levels[stop]:
            at = stop
        elif again_at_once:
            at = stop - middle
        else:
            at = levels.find(1, stop)
        at = levels.find(0, at)
    return bytes(heard)


@lru_cache(maxsize=64)
def possible_collisions(
    frame: bytes, parity: Parity = Parity.NONE, *, equal: bool = False
) -> frozenset[bytes]:
    """All that can be heard when an answer meets itself, overlapping by a character at least.

    Args:
        frame: The answer.
        parity: Of the line.
        equal: Only where neither device is the stronger one.
    """
    sent = _levels(frame, parity)
    size = 10 if parity is Parity.NONE else 11
    found: set[bytes] = set()
    for shift in range(1, len(sent) - _STEPS * size, 2):
        for around in _AROUND:
            steps = _overlaid(sent, shift, around)
            for rules in product(_READ_AS, repeat=2):
                if not equal or rules[0] == rules[1]:
                    levels = _fought(steps, *rules)
                    found.update(_received(levels, size, again) for again in (False, True))
    return frozenset(found)


def is_collision(heard: bytes, frame: bytes, parity: Parity = Parity.NONE) -> bool:
    """Whether bytes are an answer that met itself, and not one that was damaged in places."""
    if len(heard) < len(frame) - 2:
        return False
    if len(heard) == len(frame) and _differences(heard, frame) < _LEAST_DAMAGE:
        return False
    return heard in possible_collisions(frame, parity) or any(
        len(other) == len(heard) and _differences(heard, other) <= _MOST_WRONG
        for other in possible_collisions(frame, parity, equal=True)
        if len(other) != len(frame) or _differences(other, frame) >= _LEAST_DAMAGE
    )


def _differences(one: bytes, other: bytes) -> int:
    return sum(a != b for a, b in zip(one, other, strict=True))
