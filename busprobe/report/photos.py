"""Photos for a report: read, checked, made small, and rid of what only the camera knew.

With the extra `photos` a picture is turned upright, shrunk and written anew, so that nothing of
its metadata is left: position, serial number of the camera, thumbnail. Without it the file goes
into the page as it is, and the entry says so.
"""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import io
import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Literal

from busprobe.model.errors import InputError
from busprobe.report.content_photo import PhotoEntry
from busprobe.report.details import PhotoPart
from busprobe.report.photo_file import PhotoError, PhotoHead, read_head

LONGEST_SIDE_PX = 1600
LARGEST_FILE = 25_000_000
# Of all files of a report, where none can be made smaller: browsers take longer than people wait
# (common practice, no source).
LARGEST_SUM = 100_000_000
# More than telephones take by themselves; decoded, three bytes each.
MOST_PIXELS = 120_000_000
_QUALITY = 82
# Exif 2.32, section 4.6.3: pointers to the Exif and the GPS part; 4.6.5: DateTimeOriginal and its
# OffsetTimeOriginal; 4.6.6: latitude and longitude, each with the letter of its hemisphere.
_EXIF_PART, _GPS_PART = 0x8769, 0x8825
_TAKEN, _TAKEN_OFFSET = 0x9003, 0x9011
_LATITUDE, _LONGITUDE = (1, 2), (3, 4)


@dataclass(frozen=True, slots=True)
class _Made:
    """A picture as the page shows it, and what its camera said."""

    data: bytes
    head: PhotoHead
    taken: str = ""
    position: str = ""
    note: str = ""


def photos_of(wanted: Sequence[PhotoPart], folder: Path) -> tuple[PhotoEntry, ...]:
    """Read the photos that the details name.

    Args:
        wanted: The photos.
        folder: Where names of files begin: that of the details.

    Raises:
        InputError: A file is missing, too large, no image, or damaged.
    """
    pillow = _pillow()
    entries: list[PhotoEntry] = []
    shown = 0
    for part in wanted:
        entries.append(_entry(part, folder / part.file, pillow))
        shown += len(entries[-1].data)
        if shown > LARGEST_SUM:
            raise InputError(
                f"The photos up to {part.file} have {shown / 1e6:.0f} MB together; a page holds "
                f"{LARGEST_SUM / 1e6:.0f} MB.",
                "Install the extra that makes them smaller (pip install 'busprobe[photos]'), or "
                "leave some out.",
            )
    return tuple(entries)


def _entry(part: PhotoPart, path: Path, pillow: Any) -> PhotoEntry:
    data = _read(path)
    try:
        head = read_head(data)
        if head.width * head.height > MOST_PIXELS:
            raise PhotoError(
                f"has {head.width} x {head.height} pixels, more than the "
                f"{MOST_PIXELS // 1_000_000} million that are read"
            )
        made = _as_is(data, head) if pillow is None else _anew(data, head, pillow, part.position)
    except PhotoError as error:
        raise InputError(
            f"The photo {path} {error}.", "Give a whole JPEG or PNG file, or leave it out."
        ) from error
    stated = str(part.time)
    said_by: Literal["stated", "camera", ""] = (
        "stated" if stated else "camera" if made.taken else ""
    )
    return PhotoEntry(
        file=path.name,
        caption=part.caption,
        time=stated or made.taken,
        time_from=said_by,
        position=made.position,
        sha256=hashlib.sha256(data).hexdigest(),
        shown_sha256=hashlib.sha256(made.data).hexdigest(),
        kind=made.head.kind,
        width=made.head.width,
        height=made.head.height,
        note=made.note,
        data=made.data,
    )


def _read(path: Path) -> bytes:
    try:
        # Neither a folder nor a device or a pipe, which may never end.
        if path.exists() and not path.is_file():
            raise InputError(f"The photo {path} is no file.", "Give a JPEG or PNG file.")
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise InputError(
                f"The photo {path} has {size / 1e6:.1f} MB; {LARGEST_FILE / 1e6:.0f} MB are read.",
                "Save it smaller.",
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it cannot be read"
        raise InputError(
            f"The photo {path} cannot be read: {why}.",
            "Names of photos begin at the folder of the details.",
        ) from error


def _as_is(data: bytes, head: PhotoHead) -> _Made:
    note = f"embedded as it is, {len(data) / 1e6:.1f} MB: position data of the camera may be inside"
    return _Made(data, head, note=note)


# With the extra ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Told:
    """What the camera says: when and where, and the GPS part itself."""

    taken: str = ""
    position: str = ""
    gps: Mapping[int, Any] = field(default_factory=dict)


def _anew(data: bytes, head: PhotoHead, pillow: Any, keep_position: bool) -> _Made:
    """Upright, small, and without metadata."""
    with warnings.catch_warnings():
        # How many pixels are too many was looked at before; the rest of it is about metadata.
        warnings.simplefilter("ignore")
        try:
            opened = pillow.open(io.BytesIO(data), formats=("JPEG", "PNG"))
            if head.kind == "jpeg":
                # Decoded at half, a quarter or an eighth where that is still large enough.
                opened.draft(None, (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
            opened.load()
            told = _told(opened)
            image = _plain(_upright(opened))
            image.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX), pillow.Resampling.LANCZOS)
            kept = _position_alone(told.gps, pillow) if keep_position else None
            out = io.BytesIO()
            _bare(image, pillow).save(out, **_way(head, image, kept))
        except Exception as error:
            # A decoder that is not ours, on data that may be anything: it raises what it likes.
            raise PhotoError("is damaged: it cannot be decoded") from error
    made = out.getvalue()
    return _Made(made, read_head(made), told.taken, told.position if keep_position else "")


def _told(opened: Any) -> _Told:
    """What the metadata say; nothing where they are damaged: the picture need not be."""
    try:
        exif = opened.getexif()
        gps = dict(exif.get_ifd(_GPS_PART))
        return _Told(_taken(exif.get_ifd(_EXIF_PART)), _position(gps), gps)
    except Exception:
        return _Told()


def _upright(opened: Any) -> Any:
    try:
        return importlib.import_module("PIL.ImageOps").exif_transpose(opened)
    except Exception:
        # Which way the camera was held is lost with its metadata.
        return opened


def _plain(image: Any) -> Any:
    """In one of the ways that JPEG and PNG both write without loss of meaning."""
    if image.mode.startswith("I;16"):
        # 16 bits of grey: the upper eight.
        return image.convert("I").point(lambda value: value / 256).convert("L")
    if image.mode in ("1", "L", "RGB"):
        return image
    with_alpha = image.mode in ("LA", "PA", "RGBA") or "transparency" in image.info
    return image.convert("RGBA" if with_alpha else "RGB")


def _bare(image: Any, pillow: Any) -> Any:
    """The pixels alone: what a format carries beside them stays behind."""
    bare = pillow.new(image.mode, image.size)
    bare.paste(image, (0, 0))
    return bare


def _way(head: PhotoHead, image: Any, exif: Any) -> dict[str, Any]:
    way: dict[str, Any] = (
        {"format": "JPEG", "quality": _QUALITY, "optimize": True, "progressive": True}
        if head.kind == "jpeg"
        else {"format": "PNG", "optimize": True}
    )
    if image.info.get("icc_profile"):
        # Without it the colours of many telephones are wrong; it says nothing of the place.
        way["icc_profile"] = image.info["icc_profile"]
    return way if exif is None else {**way, "exif": exif}


def _position_alone(gps: Mapping[int, Any], pillow: Any) -> Any:
    if not gps:
        return None
    kept = pillow.Exif()
    kept[_GPS_PART] = dict(gps)
    return kept


def _position(gps: Mapping[int, Any]) -> str:
    """Latitude and longitude in degrees, "" where the camera knew none."""
    told = []
    for side, angle in (_LATITUDE, _LONGITUDE):
        try:
            degrees, minutes, seconds = (float(part) for part in gps[angle])
            value = degrees + minutes / 60 + seconds / 3600
            hemisphere = str(gps[side]).strip(chr(0))[:1]
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            return ""
        if not math.isfinite(value):
            return ""
        told.append(f"{value:.5f}° {hemisphere}")
    return ", ".join(told)


def _taken(part: Mapping[int, Any]) -> str:
    """When the camera says that it was taken, "" where it says nothing that is a time."""
    text = str(part.get(_TAKEN, "")).strip("\0 ")
    offset = str(part.get(_TAKEN_OFFSET, "")).strip("\0 ")
    for written, form in ((text + offset, "%Y:%m:%d %H:%M:%S%z"), (text, "%Y:%m:%d %H:%M:%S")):
        try:
            return datetime.strptime(written, form).isoformat("T")  # noqa: DTZ007 - often has none
        except ValueError:
            continue
    return ""


def _pillow() -> Any:
    """`PIL.Image`, or None where the extra is not installed."""
    if importlib.util.find_spec("PIL") is None:
        return None
    return importlib.import_module("PIL.Image")
