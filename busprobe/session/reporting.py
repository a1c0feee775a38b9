"""The report of a visit as the screen writes it: files, and what was typed of people."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from busprobe.model.errors import InputError
from busprobe.session.events import ReportWritten

if TYPE_CHECKING:
    from busprobe.report.render import Renderer
    from busprobe.session.wishes import ReportWish


def write_report_of(recording: Path, wish: ReportWish, beside: tuple[Path, ...]) -> ReportWritten:
    """Write a report of a recording beside it.

    Args:
        recording: The recording.
        wish: What else it is made from, and as what it is written.
        beside: Recordings of the other lines of this visit.

    Raises:
        InputError: A file cannot be read or written.
    """
    from busprobe import __version__
    from busprobe.report.compose import compose
    from busprobe.report.material import gather
    from busprobe.report.render import HtmlRenderer, JsonRenderer

    renderers: list[tuple[str, Renderer]] = [(".html", HtmlRenderer()), (".json", JsonRenderer())]
    if wish.pdf:
        from busprobe.report.pdf import pdf_renderer

        # Whether a PDF can be made here is told before anything is written.
        renderers.append((".pdf", pdf_renderer()))
    verification = wish.verification
    if verification is not None and not verification.exists():
        verification = None
    details = details_for(recording, wish)
    recordings = (recording, *beside, *wish.recordings)
    material = gather(recordings, wish.as_left, verification, details)
    now = datetime.datetime.now().astimezone()
    report = compose(material, now=now, version=__version__)
    files = []
    for suffix, renderer in renderers:
        path = recording.with_name(f"{recording.stem}-report{suffix}")
        _keep(path, renderer.render(report))
        files.append(str(path))
    return ReportWritten(tuple(files), report.conclusion.result, report.conclusion.text)


def details_for(recording: Path, wish: ReportWish) -> Path | None:
    """The file with what only people know: the one that is named, or one made of what was typed.

    What was typed is kept beside the recording, so that the report rests on a file. It goes before
    what stands in the file that is named.

    Args:
        recording: The recording of the visit.
        wish: What was named and typed.

    Raises:
        InputError: The file is wrong, or what was typed does not fit, or it cannot be kept.
    """
    from busprobe.report.details import Details, load_details

    if not wish.known and not wish.photos:
        return wish.details
    found: dict[str, Any] = {}
    if wish.details is not None:
        # As the file says it: its photos lie beside it.
        found = load_details(wish.details).model_dump(mode="json", exclude_unset=True)
        for photo in found.get("photos", []):
            photo["file"] = str((wish.details.parent / photo["file"]).resolve())
    for group, key, text in wish.known:
        part = found.get(group) or {}
        found[group] = {**part, key: text}
    found["photos"] = [
        *found.get("photos", []),
        *({"file": str(file.resolve()), "caption": caption} for file, caption in wish.photos),
    ]
    try:
        Details.model_validate(found)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        raise InputError(
            f"What was typed for the report does not fit: {place}: {first['msg']}.",
            "Correct it and write the report again.",
        ) from error
    path = recording.with_name(f"{recording.stem}-details.yaml")
    # JSON is YAML, too (YAML 1.2, chapter 1.3), and needs no care for odd characters.
    _keep(path, (json.dumps({"format": 1, **found}, indent=2) + "\n").encode())
    return path


def _keep(path: Path, made: bytes) -> None:
    try:
        path.write_bytes(made)
    except OSError as error:
        raise InputError(
            f"{path} cannot be written: {error.strerror}.",
            "Make room on the disk, or move the recording to another folder.",
        ) from error
