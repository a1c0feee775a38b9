"""Frames that arrive in the wrong read: a buffering fault that looks like noise.

Seen in the field (ESPHome #10338, pymodbus #207 "rolling response"): the last byte of a response is
handed over with the *next* response. Each read then begins with a byte of the response before, and
lacks its own last one. Where the responses are alike, every read is an intact frame turned by one
byte. Seen as well (pymodbus #2193): the last byte never comes; nothing can be stitched then.
"""

from __future__ import annotations

from dataclasses import dataclass

from busprobe.wire.crc import CRC_LENGTH, is_intact_at
from busprobe.wire.functions import Role
from busprobe.wire.structure import lengths

# Turned frames are looked for up to a handful of bytes: an adapter holds back one, rarely a few.
MOST_TURNED = 4


@dataclass(frozen=True, slots=True)
class Stitched:
    """A frame put together.

    Attributes:
        data: The whole frame, CRC included.
        role: What it is.
        moved: How many bytes were in the wrong place.
    """

    data: bytes
    role: Role
    moved: int


def _whole(adu: bytes, roles: tuple[Role, ...]) -> Role | None:
    if len(adu) <= 1 + CRC_LENGTH:
        return None
    for role in roles:
        if lengths(adu[1:], role) + 1 + CRC_LENGTH == len(adu) and is_intact_at(adu, 0, len(adu)):
            return role
    return None


def stitch(
    tail_of_previous: bytes,
    data: bytes,
    roles: tuple[Role, ...] = (Role.RESPONSE, Role.REQUEST),
) -> Stitched | None:
    """Complete the unframed end of one read with the first bytes of the next.

    Args:
        tail_of_previous: Bytes of no frame at the end of the read before.
        data: The next read.
        roles: Roles to try, in this order.

    Returns:
        The frame that begins in the tail and ends in the data (its `moved` bytes are the first of
        the data), or None when there is none. It may begin anywhere in the tail: the read before
        may have begun with a byte of the one before it.
    """
    joined = tail_of_previous + data
    for start in range(len(tail_of_previous)):
        for role in roles:
            end = start + lengths(joined[start + 1 :], role) + 1 + CRC_LENGTH
            if not len(tail_of_previous) < end <= len(joined):
                continue
            frame = joined[start:end]
            if _whole(frame, (role,)):
                return Stitched(frame, role, end - len(tail_of_previous))
    return None


def turned(data: bytes, roles: tuple[Role, ...] = (Role.RESPONSE, Role.REQUEST)) -> Stitched | None:
    """Tell whether some bytes are one intact frame whose last bytes lead it.

    Args:
        data: The bytes of one read.
        roles: Roles to try, in this order.

    Returns:
        The frame in its right order, or None when turning does not make one.
    """
    for moved in range(1, min(MOST_TURNED, len(data) - 1) + 1):
        frame = data[moved:] + data[:moved]
        role = _whole(frame, roles)
        if role is not None:
            return Stitched(frame, role, moved)
    return None
