"""What a receiver makes of the end of an answer that another answer covered until then.

While a stronger device speaks, the receiver follows it; when that one is done, the receiver hunts
for the next start bit somewhere *inside* a character of the slower device. It locks to any falling
edge, and delivers bytes that are shifted until an edge puts it right. The bytes that were sent
determine what can be heard, so that what was heard tells what can have been sent.
"""

from __future__ import annotations

from functools import lru_cache

from busprobe.model.line import Parity

# Only the last bytes of an answer stick out in practice.
_MOST_BYTES = 4
# Answers that stand for chance.
_SAMPLES = 2048


def bits_of(data: bytes, parity: Parity = Parity.NONE) -> tuple[int, int]:
    """Bits on the line, first sent lowest (start, data from bit 0 on, parity, stop), and how many.

    A second stop bit is not looked at by a receiver, and left out.
    """
    size = 10 if parity is Parity.NONE else 11
    line = 0
    for place, byte in enumerate(data):
        character = byte << 1 | 1 << (size - 1)
        if parity is not Parity.NONE:
            character |= ((byte.bit_count() + (parity is Parity.ODD)) & 1) << 9
        line |= character << (size * place)
    return line, size * len(data)


def _received(line: int, length: int, start: int, stop: int, again_at_once: bool) -> bytes:
    """Bytes that a receiver delivers that begins to hunt at a bit; idle is 1.

    Args:
        line: Bits, first sent lowest, ones behind the last.
        length: How many.
        start: Where it begins to hunt.
        stop: From a start bit to its stop bit.
        again_at_once: Whether it takes a low stop bit as the next start bit.
    """
    heard = bytearray()
    at = start
    while True:
        while at < length and (line >> at) & 1:
            at += 1
        if at >= length:
            return bytes(heard)
        heard.append((line >> (at + 1)) & 0xFF)
        at += stop
        if not again_at_once:
            while at < length and not (line >> at) & 1:
                at += 1


@lru_cache(maxsize=1 << 14)
def possible_tails(end: bytes, parity: Parity = Parity.NONE) -> frozenset[bytes]:
    """All that can be heard of the end of an answer.

    Args:
        end: Its last bytes, at most four.
        parity: Of the line.
    """
    line, length = bits_of(end, parity)
    line |= -1 << length
    stop = 9 if parity is Parity.NONE else 10
    starts = [at for at in range(length) if not (line >> at) & 1]
    return frozenset(
        _received(line, length, at, stop, again) for at in starts for again in (False, True)
    )


def can_be_tail(heard: bytes, answer: bytes, parity: Parity = Parity.NONE) -> bool:
    """Whether these bytes can be what sticks out of an answer.

    The first byte may be half the other device's: it may be wrong when more follow.
    """
    if len(heard) > _MOST_BYTES:
        return answer.endswith(heard[1:])
    tails = possible_tails(answer[-_MOST_BYTES:], parity)
    return heard in tails or (len(heard) > 2 and heard[1:] in tails)


def ends_as_tail(heard: bytes, answer: bytes, parity: Parity = Parity.NONE) -> bool:
    """Whether the end of these bytes can be the end of an answer, however they begin."""
    if heard[-2:] == answer[-2:]:
        return True
    tails = possible_tails(answer[-_MOST_BYTES:], parity)
    return heard in tails or any(heard[-count:] in tails for count in range(2, len(heard)))


@lru_cache(maxsize=256)
def chance_of_tail(heard: bytes, parity: Parity = Parity.NONE) -> float:
    """How often an answer with another check would give the same tail, by chance."""
    if len(heard) > _MOST_BYTES:
        return float(2.0 ** (-8 * (len(heard) - 1)))
    fitting = 0
    for number in range(_SAMPLES):
        # Evenly spread over the pairs of bytes: an odd factor permutes 16 bits.
        last = (number * 32 * 40_503 + number * 7_919) & 0xFFFF
        before = (number * 25_173 + 13_849) & 0xFFFF
        end = before.to_bytes(2, "little") + last.to_bytes(2, "little")
        fitting += can_be_tail(heard, end, parity)
    return (fitting + 0.5) / (_SAMPLES + 1)
