"""PDF of a report: by the typst extra where it is installed, else by an installed browser."""

from __future__ import annotations

import importlib
import importlib.util
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from busprobe.model.errors import InputError
from busprobe.report.content import Report, report_json
from busprobe.report.pictures import draw
from busprobe.report.pictures.data import Picture
from busprobe.report.render import TEMPLATES, HtmlRenderer, Renderer, json_sha256

_BROWSERS = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "microsoft-edge",
    "msedge",
    "chrome",
    "brave-browser",
)
# Where browsers are installed without being on the path (from memory).
_PLACES = (
    r"{ProgramFiles(x86)}\Microsoft\Edge\Application\msedge.exe",
    r"{ProgramFiles}\Microsoft\Edge\Application\msedge.exe",
    r"{ProgramFiles}\Google\Chrome\Application\chrome.exe",
    "/Applications/Google Chrome.app/Contents/MacOS/Google Chrome",
    "/Applications/Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
    "/Applications/Chromium.app/Contents/MacOS/Chromium",
)
# A page is printed in one or two seconds; a first start of a browser can take longer.
_PATIENCE_S = 90
BY_HAND = (
    "Make the page with --html, open it in any browser and print it to PDF (A4, with background "
    "graphics); or install the extra: pip install 'busprobe[pdf]'."
)


class TypstRenderer:
    """PDF typeset from the same content, without a browser."""

    suffix = ".pdf"

    def render(self, report: Report) -> bytes:
        """The PDF.

        Raises:
            InputError: The extra is not installed, or a photo cannot be set.
        """
        typst = _typst()
        if typst is None:
            raise InputError("The extra for PDF is not installed.", BY_HAND)
        with tempfile.TemporaryDirectory(prefix="busprobe-") as name:
            folder = Path(name)
            shutil.copyfile(TEMPLATES / "report.typ", folder / "report.typ")
            (folder / "report.json").write_text(report_json(report), encoding="utf-8")
            for path, picture in pictures_of(report):
                svg = draw(picture).svg("p")
                (folder / f"{path}.svg").write_text(svg, encoding="utf-8")
            for number, photo in enumerate(report.photos):
                (folder / f"photo-{number}.{photo.kind}").write_bytes(photo.data)
            try:
                made = typst.compile(
                    folder / "report.typ",
                    root=folder,
                    sys_inputs={"json_sha256": json_sha256(report)},
                    pdf_standards=["a-2b"],
                )
            except typst.TypstError as error:
                if not any(photo.note for photo in report.photos):
                    raise
                # A picture that was not written anew may be of a kind that it does not know.
                raise InputError(
                    "The PDF cannot be typeset with these photos.",
                    "Install the extra that makes them anew (pip install 'busprobe[photos]'), or "
                    "make the page with --html.",
                ) from error
            return bytes(made)


class BrowserRenderer:
    """PDF printed by an installed browser from the page.

    Args:
        program: The browser.
    """

    suffix = ".pdf"

    def __init__(self, program: str) -> None:
        self._program = program

    def render(self, report: Report) -> bytes:
        """The PDF.

        Raises:
            InputError: The browser does not print.
        """
        with tempfile.TemporaryDirectory(prefix="busprobe-") as name:
            page, out = Path(name) / "report.html", Path(name) / "report.pdf"
            page.write_bytes(HtmlRenderer().render(report))
            command = [
                self._program,
                "--headless",
                "--disable-gpu",
                "--no-first-run",
                "--no-pdf-header-footer",
                f"--user-data-dir={Path(name) / 'profile'}",
                f"--print-to-pdf={out}",
                page.as_uri(),
            ]
            if hasattr(os, "geteuid") and os.geteuid() == 0:
                # The sandbox of these browsers refuses to run as root. The page holds no script.
                command.insert(1, "--no-sandbox")
            try:
                subprocess.run(  # noqa: S603 - a browser that is installed here, no shell
                    command, check=True, capture_output=True, timeout=_PATIENCE_S
                )
                return out.read_bytes()
            except (OSError, subprocess.SubprocessError) as error:
                raise InputError(
                    f"The browser {Path(self._program).name} did not print the report.", BY_HAND
                ) from error


def pdf_renderer() -> Renderer:
    """What can make a PDF on this computer.

    Raises:
        InputError: Nothing can; says how to print by hand.
    """
    if _typst() is not None:
        return TypstRenderer()
    program = find_browser()
    if program is None:
        raise InputError("Neither the extra for PDF nor a browser was found.", BY_HAND)
    return BrowserRenderer(program)


def find_browser() -> str | None:
    """An installed browser that prints without a window, or None."""
    for name in _BROWSERS:
        found = shutil.which(name)
        if found is not None:
            return found
    for place in _PLACES:
        try:
            path = Path(place.format(**os.environ))
        except KeyError:
            continue
        if path.is_file():
            return str(path)
    return None


def pictures_of(report: Report) -> Iterator[tuple[str, Picture]]:
    """Every picture with the name under which the typst template looks for it."""
    found: list[tuple[str, Picture | None]] = [
        ("bus", report.system.picture),
        ("bus-left", report.system.picture_as_left),
        *((f"bus-{n}", p) for n, p in enumerate(report.system.more_pictures)),
        *((f"bus-left-{n}", p) for n, p in enumerate(report.system.more_pictures_as_left)),
        ("collision", report.health.collision),
        ("histogram", report.health.histogram),
        ("energy", None if report.balance is None else report.balance.picture),
    ]
    found += [(f"bench-{n}", entry.histogram) for n, entry in enumerate(report.bench)]
    for number, entry in enumerate(report.wiring):
        found += [(f"phasors-{number}", entry.phasors), (f"trend-{number}", entry.trend)]
    return ((name, picture) for name, picture in found if picture is not None)


def _typst() -> Any:
    if importlib.util.find_spec("typst") is None:
        return None
    return importlib.import_module("typst")
