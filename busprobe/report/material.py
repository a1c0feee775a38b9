"""Gathers what a report is made from: the only place here that is told which files to read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from busprobe.model.errors import InputError
from busprobe.report.compose import Material, Verification
from busprobe.report.details import Details, load_details
from busprobe.report.visit import read_visit
from busprobe.site.state import load_state


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
        InputError: A file cannot be read or is wrong, or a recording is given twice.
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
    return Material(
        visits=tuple(visits),
        verification=None
        if verification is None
        else Verification(verification.name, _sha256(verification), load_state(verification)),
        details=Details() if details is None else load_details(details),
        details_file=None if details is None else (details.name, _sha256(details)),
    )


def _sha256(path: Path) -> str:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise InputError(
            f"{path}: {error.strerror or 'it cannot be read'}.", "Give a readable file."
        ) from error
