"""Photos in the content of a report."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from busprobe.report.content_base import Part, SafeText, Sha256

MEDIA = {"jpeg": "image/jpeg", "png": "image/png"}


class PhotoEntry(Part):
    """A photo: what it shows, when it was taken, and the hashes that hold it to its file."""

    file: SafeText
    caption: SafeText
    time: SafeText
    """When it was taken, empty where nobody says."""
    time_from: Literal["stated", "camera", ""]
    """Who says when: the details, or the clock of the camera, which may be wrong."""
    position: SafeText
    """Where it was taken, as the camera says; empty unless the details keep it."""
    sha256: Sha256
    """Of the file as it was given."""
    shown_sha256: Sha256
    """Of the picture inside the page, which is smaller than the file and says less."""
    kind: Literal["jpeg", "png"]
    width: int
    """Of the picture inside the page [px]."""
    height: int
    note: SafeText
    """What was left undone, else empty."""
    data: bytes = Field(default=b"", exclude=True, repr=False)
    """The picture inside the page; empty in a report that was read from `report.json`."""

    @property
    def media_type(self) -> str:
        """As a data: URI names it (RFC 2397)."""
        return MEDIA[self.kind]

    @property
    def alt(self) -> str:
        """What it shows, for those who cannot see it."""
        return f"Photo: {self.caption}"
