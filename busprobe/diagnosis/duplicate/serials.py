"""Two serial numbers out of collided answers, each protected by a CRC.

Of two answers that overlap, the faster one's head and the slower one's tail survive. Head and tail
of the *same* answer, from different collisions, make a whole frame whose CRC proves it. Devices of
one maker share the start of their serial numbers, so that the known answer can stand in for a
missing head: the CRC says whether it fits.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from busprobe.model.device_text import device_text
from busprobe.wire.crc import is_intact, with_crc

# A tail must hold its CRC and something that differs; shorter ones fit by chance.
_SHORTEST_TAIL = 6
_MOST_FRAGMENTS = 24


def recover(
    address: int,
    function: int,
    size: int,
    known: Iterable[bytes],
    fragments: Sequence[bytes],
) -> tuple[bytes, ...]:
    """Whole answers that the fragments prove.

    Args:
        address: Address asked.
        function: Function code asked.
        size: Bytes of register data in an answer.
        known: Register data of whole answers (without the byte count).
        fragments: Bytes heard beside or instead of a whole answer, each as it was heard.

    Returns:
        Register data of further answers, without the known ones, in the order found.
    """
    head = bytes((address, function, size))
    whole = list(dict.fromkeys(known))
    length = len(head) + size + 2
    found: dict[bytes, None] = {}
    kept = [f for f in dict.fromkeys(fragments) if len(f) >= _SHORTEST_TAIL][:_MOST_FRAGMENTS]
    starts = [head + data for data in whole]
    starts += [f[f.index(head) :] for f in kept if head in f]
    for tail in kept:
        for count in range(min(len(tail), length - len(head)), _SHORTEST_TAIL - 1, -1):
            end = tail[-count:]
            missing = length - count
            for start in starts:
                if len(start) < missing:
                    continue
                candidate = start[:missing] + end
                data = candidate[len(head) : -2]
                if is_intact(candidate) and data not in whole:
                    found.setdefault(data, None)
    return tuple(found)


def serial_text(data: bytes) -> str:
    """A serial number as text, safe to show."""
    return device_text(data)


def frame_of(address: int, function: int, data: bytes) -> bytes:
    """The answer that carries these register data."""
    return with_crc(bytes((address, function, len(data))) + data)
