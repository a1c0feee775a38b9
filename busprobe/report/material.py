"""What a report is made from: recordings, a verification, and what only people know."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from busprobe.model.errors import InputError
from busprobe.report.content import State
from busprobe.report.content_photo import PhotoEntry
from busprobe.report.details import Details, load_details
from busprobe.report.photos import photos_of
from busprobe.report.visit import Visit, read_visit
from busprobe.site.state import StateFile, load_state

_STATES: tuple[State, ...] = ("as-found", "as-left")


@dataclass(frozen=True, slots=True)
class Verification:
    """A verification that was read from its file."""

    file: str
    sha256: str
    state: StateFile


@dataclass(frozen=True, slots=True)
class Material:
    """What a report is made from.

    Attributes:
        visits: The recordings, as found and as left.
        verification: Plan against found, where there is one.
        details: What only people know.
        details_file: Name and SHA-256 of the file they came from, or None.
        photos: The photos that they name.
    """

    visits: tuple[Visit, ...]
    verification: Verification | None = None
    details: Details = field(default_factory=Details)
    details_file: tuple[str, str] | None = None
    photos: tuple[PhotoEntry, ...] = ()

    def of(self, state: State) -> tuple[Visit, ...]:
        """The recordings of one state of the site, oldest first."""
        found = [v for v in self.visits if v.state == state]
        return tuple(sorted(found, key=lambda v: v.head.started))

    def line_of(self, visit: Visit) -> str:
        """What tells the line of a recording from the other lines of the site.

        "" where each state of the site was recorded on one line: then it is the same line, even
        if it was reached by another link as left.
        """
        several = any(len({v.link for v in self.visits if v.state == s}) > 1 for s in _STATES)
        return visit.link if several else ""


def gather(
    recordings: Sequence[Path],
    as_left: Sequence[Path] = (),
    verification: Path | None = None,
    details: Path | None = None,
) -> Material:
    """Read the files of a visit; none of them is changed.

    Args:
        recordings: Recordings of the site as found.
        as_left: Recordings of the site as left.
        verification: State file of a verification.
        details: What only people know.

    Raises:
        InputError: A file cannot be read or is wrong, or a recording is given twice, or a photo is
            none.
    """
    given = [*recordings, *as_left]
    visits = [read_visit(path, "as-found") for path in recordings]
    visits += [read_visit(path, "as-left") for path in as_left]
    first: dict[str, Path] = {}
    for path, visit in zip(given, visits, strict=True):
        if visit.sha256 in first:
            raise InputError(
                f"{path} is the same recording as {first[visit.sha256]}.",
                "Give each recording once, as found or as left.",
            )
        first[visit.sha256] = path
    known = Details() if details is None else load_details(details)
    return Material(
        visits=tuple(visits),
        verification=None
        if verification is None
        else Verification(verification.name, _sha256(verification), load_state(verification)),
        details=known,
        details_file=None if details is None else (details.name, _sha256(details)),
        photos=() if details is None else photos_of(known.photos, details.parent),
    )


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise InputError(
            f"{path}: {error.strerror or 'it cannot be read'}.", "Give a readable file."
        ) from error
