"""Answers that lack their first or their last bytes, and nothing else: the CRC proves the rest.

Address, function and byte count of an answer are known from its request.
"""

from __future__ import annotations

from busprobe.wire.crc import CRC_LENGTH, crc16

# One low pulse of any width on an idle line, 8 data bits without parity (computed with an
# independent UART model).
PULSES = frozenset((0x00, 0x80, 0xC0, 0xE0, 0xF0, 0xF8, 0xFC, 0xFE, 0xFF))
# Address, function code and byte count.
HEAD = 3
# An exception response.
SHORTEST = 5


def last_missing(data: bytes, head: bytes, characters: int) -> int | None:
    """The last byte of an answer that lacks just it; the first CRC byte proves the rest."""
    refused = bytes((head[0], head[1] | 0x80))
    whole = characters if data[:HEAD] == head else SHORTEST if data[:2] == refused else 0
    if not whole or len(data) != whole - 1:
        return None
    check = crc16(data[:-1])
    return check >> 8 if check & 0xFF == data[-1] else None


def last_cut(data: bytes, head: bytes, characters: int) -> bool:
    """Whether only the last byte is wrong, from the bit on with which the driver was gone.

    The rest of the byte is what the line does undriven: ones, or zeros where nothing holds it, and
    then a pulse may follow.
    """
    if data[:2] == bytes((head[0], head[1] | 0x80)):
        head, characters = data[:HEAD], SHORTEST
    if len(data) == characters + 1 and data[-1] in PULSES:
        data = data[:-1]
    if len(data) != characters or data[:HEAD] != head:
        return False
    check = crc16(data[:-CRC_LENGTH])
    right, last = check >> 8, data[-1]
    if check & 0xFF != data[-2] or last == right:
        return False
    sent = next(n for n in range(8) if (last ^ right) >> n & 1)
    return last >> sent in (0, 0xFF >> sent)


def start_lost(data: bytes, head: bytes, characters: int) -> bool:
    """Whether the head is destroyed, and what is left fits the CRC once the head is put back."""
    for kept in range(1, HEAD + 1):
        # `kept` bytes of the head were lost; up to as many wrong ones stand in their place.
        tail_length = characters - kept
        for wrong in range(kept + 1):
            if len(data) == wrong + tail_length and crc16(head[:kept] + data[wrong:]) == 0:
                return True
    return False
