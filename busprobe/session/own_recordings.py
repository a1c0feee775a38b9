"""Where sessions are recorded when nobody names a file: one private folder per user, bounded.

Every session on a link is kept, so that no evidence is lost because somebody forgot an option.
Visits to real lines lie in the folder itself; simulated buses in a folder `practice` inside, so
that practising pushes no visit out. A replay is not recorded again. The oldest files go when there
are too many, or when they are too large together; what may still be in use stays.
"""

from __future__ import annotations

import datetime
import os
from dataclasses import dataclass
from pathlib import Path

from busprobe.link.base import Link
from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.model.line import LinkKind
from busprobe.recording.store import Recorder
from busprobe.session.keeping import SUFFIX, begin_recording, new_name

PLACE = "BUSPROBE_RECORDINGS"
"""Environment variable that names another folder."""
# What was changed more recently may belong to a session under way.
_IN_USE_S = 3600.0
_MB = 1 << 20
_TRIES = 5


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much is kept in a folder.

    Attributes:
        files: Recordings.
        total_bytes: Their size together [byte].
        each_bytes: Size that a single one may reach [byte].
    """

    files: int
    total_bytes: int
    each_bytes: int


# A visit takes some MB; a day of a busy line about 110 MB.
VISITS = Bounds(200, 4096 * _MB, 2048 * _MB)
PRACTICE = Bounds(20, 256 * _MB, 64 * _MB)


def own_folder() -> Path:
    """The user's folder of recordings."""
    named = os.environ.get(PLACE)
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("busprobe", appauthor=False) / "recordings"


def begin_own_recording(link: Link, folder: Path | None = None) -> Recorder | None:
    """Begin the recording of a link that was just opened, in the user's folder.

    Args:
        link: The link.
        folder: Another folder than the user's.

    Returns:
        The recorder; None for a replay.

    Raises:
        InputError: It cannot be made there.
    """
    kind = link.endpoint.kind
    if kind is LinkKind.REPLAY:
        return None
    practising = kind is LinkKind.SIMULATED
    place = folder or own_folder()
    place = place / "practice" if practising else place
    bounds = PRACTICE if practising else VISITS
    try:
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        prune(place, bounds)
    except OSError as error:
        raise InputError(
            f"The folder {visible(str(place))} cannot be used: {error.strerror}.",
            f"Name another one in {PLACE}, or give --record FILE.",
        ) from error
    for tried in range(1, _TRIES + 1):
        path = new_name(place, datetime.datetime.now().astimezone())
        try:
            return begin_recording(path, link, bounds.each_bytes)
        except InputError:
            # Another session may have taken the name meanwhile.
            if tried == _TRIES or not path.exists():
                raise
    return None


def _files_of(recording: Path) -> tuple[Path, ...]:
    beside = (recording.with_name(recording.name + end) for end in ("-wal", "-shm", "-journal"))
    return (recording, *(path for path in beside if path.exists()))


def prune(folder: Path, bounds: Bounds, now_s: float | None = None) -> None:
    """Remove the oldest recordings beyond the bounds, to make room for one more.

    Args:
        folder: Where they lie.
        bounds: How much is kept.
        now_s: Wall clock [s since 1970]; that of now where None.

    Raises:
        OSError: The folder cannot be read, or a file not be removed.
    """
    if now_s is None:
        now_s = datetime.datetime.now().astimezone().timestamp()
    kept: list[tuple[float, int, tuple[Path, ...]]] = []
    for path in folder.glob(f"*{SUFFIX}"):
        files = _files_of(path)
        stats = [file.stat() for file in files]
        kept.append((max(s.st_mtime for s in stats), sum(s.st_size for s in stats), files))
    kept.sort(key=lambda one: one[0])
    total = sum(size for _, size, _ in kept)
    count = len(kept)
    for changed_s, size, files in kept:
        if count < bounds.files and total <= bounds.total_bytes:
            return
        if now_s - changed_s < _IN_USE_S:
            # The rest is newer still.
            return
        for file in files:
            file.unlink(missing_ok=True)
        count, total = count - 1, total - size
