"""PDF: by the extra, by a browser, or a word on how to print."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import zlib
from pathlib import Path

import pytest

from busprobe.model.errors import InputError
from busprobe.report import pdf
from busprobe.report.content import Report
from tests.report.test_report_html import HOSTILE, hostile_device
from tests.report.visits import REVERSED, collided, recording, report, snapshots


def needed(present: bool, what: str) -> None:
    if not present:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail(f"{what} is not installed")
        pytest.skip(f"{what} is not installed")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Report:
    folder = tmp_path_factory.mktemp("pdf")
    devices = [hostile_device(n + 10, text) for n, text in enumerate(HOSTILE)]
    return report(
        collided(folder / "a.busprobe"),
        recording(
            folder / "b.busprobe",
            devices=devices,
            findings=(REVERSED,),
            also=lambda recorder: snapshots(recorder, reversed_l2=True),
        ),
    )


def pages(data: bytes) -> int:
    """Page objects of a PDF, compressed object streams included."""
    found = data
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        try:
            found += zlib.decompress(stream)
        except zlib.error:
            continue
    return len(re.findall(rb"/Type\s*/Page\b", found))


def texts(data: bytes, folder: Path) -> str | None:
    """What an independent reader finds in it, None where there is none."""
    if shutil.which("pdftotext") is None:
        return None
    path = folder / "report.pdf"
    path.write_bytes(data)
    done = subprocess.run(
        ["pdftotext", "-layout", str(path), "-"], capture_output=True, check=True, timeout=60
    )
    return done.stdout.decode()


def test_the_extra_typesets_the_whole_report(made: Report, tmp_path: Path) -> None:
    needed(importlib.util.find_spec("typst") is not None, "typst")
    data = pdf.TypstRenderer().render(made)
    assert data.startswith(b"%PDF-")
    assert pages(data) >= 3
    # PDF/A says what it is in its metadata: ISO 19005-2, 6.6.4.
    assert b"pdfaid:part>2<" in data
    text = texts(data, tmp_path)
    if text is not None:
        assert made.head.id in text
        assert "<script>alert(1)</script>" in text
        assert "#text(fill: red)[typst]" in text
        assert "not a signature" in " ".join(text.split())


def test_a_browser_prints_the_page(made: Report, tmp_path: Path) -> None:
    browser = pdf.find_browser()
    needed(browser is not None, "a browser")
    assert browser is not None
    data = pdf.BrowserRenderer(browser).render(made)
    assert data.startswith(b"%PDF-")
    assert pages(data) >= 3
    text = texts(data, tmp_path)
    if text is not None:
        assert made.head.id in text
        assert re.search(rf"page 1 of {pages(data)}", text)


def test_without_either_it_says_how_to_print(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "_typst", lambda: None)
    monkeypatch.setattr(pdf, "find_browser", lambda: None)
    with pytest.raises(InputError, match="print it to PDF"):
        pdf.pdf_renderer()


def test_a_browser_is_taken_where_the_extra_is_missing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pdf, "_typst", lambda: None)
    monkeypatch.setattr(pdf, "find_browser", lambda: "/usr/bin/some-browser")
    assert isinstance(pdf.pdf_renderer(), pdf.BrowserRenderer)


def test_a_browser_that_fails_is_told(made: Report) -> None:
    with pytest.raises(InputError, match="did not print"):
        pdf.BrowserRenderer("/no/such/browser").render(made)
