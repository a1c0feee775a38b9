"""What a file says of itself before anybody decodes it: JPEG or PNG, whole or not, how large.

Only the markers and chunks are read, so that a picture of a few kilobytes that would fill the
memory is refused before it does.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Literal

# PNG (W3C Recommendation, third edition), section 5.2.
_PNG = b"\x89PNG\r\n\x1a\n"
# JPEG (ITU-T T.81), table B.1: markers without a length; SOF0 to SOF15 without DHT, JPG and DAC.
_JPEG = b"\xff\xd8\xff"
_BARE = {0x01, *range(0xD0, 0xD9)}
_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
_SCAN = 0xDA
_END = b"\xff\xd9"


class PhotoError(Exception):
    """Why a file is no photo that can be shown, as the end of a sentence."""


@dataclass(frozen=True, slots=True)
class PhotoHead:
    """Kind and size [px] of a picture."""

    kind: Literal["jpeg", "png"]
    width: int
    height: int


def read_head(data: bytes) -> PhotoHead:
    """Kind and size of a picture; nothing is decoded.

    Raises:
        PhotoError: It is neither JPEG nor PNG, or it is damaged.
    """
    if data.startswith(_PNG):
        width, height = _png_size(data)
        head = PhotoHead("png", width, height)
    elif data.startswith(_JPEG):
        width, height = _jpeg_size(data)
        head = PhotoHead("jpeg", width, height)
    else:
        raise PhotoError("is neither a JPEG nor a PNG image")
    if not (head.width and head.height):
        raise PhotoError("is damaged: it has no size")
    return head


def _png_size(data: bytes) -> tuple[int, int]:
    """Walk the chunks, each with its CRC, up to IEND (sections 5.3, 11.2.1 and 11.2.4)."""
    at, size, has_data = len(_PNG), None, False
    while at + 12 <= len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        body_end = at + 8 + length
        kind, check = data[at + 4 : at + 8], data[body_end : body_end + 4]
        if len(check) < 4:
            break
        if zlib.crc32(data[at + 4 : body_end]) != int.from_bytes(check, "big"):
            raise PhotoError("is damaged: the check of one of its parts is wrong")
        if size is None:
            if kind != b"IHDR" or length != 13:
                raise PhotoError("is damaged: it does not begin as a PNG image must")
            size = (
                int.from_bytes(data[at + 8 : at + 12], "big"),
                int.from_bytes(data[at + 12 : at + 16], "big"),
            )
        has_data |= kind == b"IDAT"
        if kind == b"IEND":
            if not has_data:
                raise PhotoError("is damaged: it holds no picture")
            return size
        at = body_end + 4
    raise PhotoError("is damaged: its end is missing")


def _jpeg_size(data: bytes) -> tuple[int, int]:
    """Walk the markers up to the first scan (T.81, sections B.1.1 and B.2.2)."""
    at, size = 2, None
    while at + 4 <= len(data):
        if data[at] != 0xFF:
            raise PhotoError("is damaged: it does not go on as a JPEG image must")
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker in _BARE:
            at += 2
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if length < 2:
            break
        if marker in _FRAMES and at + 9 <= len(data):
            size = (
                int.from_bytes(data[at + 7 : at + 9], "big"),
                int.from_bytes(data[at + 5 : at + 7], "big"),
            )
        at += 2 + length
        if marker == _SCAN:
            if size is None:
                raise PhotoError("is damaged: it does not say how large it is")
            if data.find(_END, at) < 0:
                break
            return size
    raise PhotoError("is damaged: its end is missing")
