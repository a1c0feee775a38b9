"""The page: whole by itself, without scripts, and deaf to what devices say."""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from busprobe.model.device import Device, Identity
from busprobe.report.content import report_json
from busprobe.report.render import HtmlRenderer, JsonRenderer, json_sha256
from tests.report.visits import METER, NOW, REVERSED, collided, recording, report, snapshots

# Elements without an end tag: HTML Living Standard, section 13.1.2, void elements.
_VOID = {"meta", "br", "img", "link", "input", "hr", "col", "wbr", "source"}
# Markup, scripts, template code, quotes that would end an attribute, ends of the style sheet and of
# CDATA, a right-to-left override, a line separator, an escape sequence, a NUL.
HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*7 }}{% raw %}",
    "</style></svg></bdi><b>bold</b>",
    "]]>&amp;<!--",
    "\u202egnissapyb\u2028",
    "\x1b[31m\x00red",
    "javascript:alert(1)",
    "#text(fill: red)[typst] $ x $ \\ `raw`",
)


@dataclass
class Page(HTMLParser):
    """Every element and text of a page, checked for balance on the way."""

    elements: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    texts: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(convert_charrefs=True)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in _VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, {k: v or "" for k, v in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, tag
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def parsed(html: bytes) -> Page:
    page = Page()
    page.feed(html.decode())
    page.close()
    assert page.open == []
    return page


def hostile_device(address: int, text: str) -> Device:
    identity = Identity(text, text[::-1], text, text, "sunspec")
    return replace(METER, address=address, identity=identity)


@pytest.fixture(scope="module")
def hostile_page(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("hostile")
    devices = [hostile_device(n + 1, text) for n, text in enumerate(HOSTILE)]
    findings = [
        replace(
            REVERSED, address=n + 1, code=f"code-{n}", device=text, summary=text, cause=text,
            remedy=text, caution=text,
        )
        for n, text in enumerate(HOSTILE)
    ]  # fmt: skip
    path = recording(
        folder / "<i>&'visit.busprobe", link='/dev/<u>"tty', devices=devices, findings=findings
    )
    details = folder / "details.yaml"
    listed = "\n".join(f"    {line}" for line in HOSTILE if line.isprintable())
    details.write_text(
        'report: {id: "</style><script>1</script>\\" ; } body { display: none", title: "<b>"}\n'
        f"site:\n  name: '{HOSTILE[0]}'\n  notes: |\n{listed}\n"
        "meters:\n  - {address: 1, name: '<script>2</script>', role: grid}\n",
        encoding="utf-8",
    )
    return HtmlRenderer().render(report(path, details=details))


def test_nothing_of_a_device_becomes_an_element(hostile_page: bytes) -> None:
    page = parsed(hostile_page)
    tags = {tag for tag, _ in page.elements}
    assert not tags & {"script", "img", "i", "u", "iframe", "object", "embed", "form", "link"}
    for tag, attributes in page.elements:
        assert not [name for name in attributes if name.startswith("on")], tag
    # It is shown, as text.
    for shown in ("<script>alert(1)</script>", "{{ 7*7 }}{% raw %}", "]]>&amp;<!--"):
        assert shown in page.text


def test_active_characters_are_written_out(hostile_page: bytes) -> None:
    text = hostile_page.decode()
    for character in "\u202e\u2028\x1b\x00":
        assert character not in text
    assert r"\u202egnissapyb\u2028" in text
    assert r"\x1b[31m\x00red" in text


def test_the_style_sheet_cannot_be_left(hostile_page: bytes) -> None:
    text = hostile_page.decode()
    assert text.count("<style>") == text.count("</style>") == 1
    sheet = text[text.index("<style>") : text.index("</style>")]
    (running,) = re.findall(r'content: "report ([^"]*), revision', sheet)
    assert re.fullmatch(r"[\w ./-]*", running)
    assert sheet.count("{") == sheet.count("}")
    assert "display: none" not in sheet


@pytest.fixture(scope="module")
def page_bytes(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    folder = tmp_path_factory.mktemp("page")
    found = collided(folder / "a.busprobe")
    also = recording(
        folder / "b.busprobe",
        link="sim:demo",
        findings=(REVERSED,),
        also=lambda recorder: snapshots(recorder, reversed_l2=True),
        started=NOW,
    )
    return HtmlRenderer().render(report(found, also))


def test_the_page_needs_nothing_else(page_bytes: bytes) -> None:
    page = parsed(page_bytes)
    for tag, attributes in page.elements:
        for name in ("src", "href", "xlink:href", "data", "action", "poster", "srcset"):
            assert name not in attributes, (tag, attributes)
    text = page_bytes.decode()
    assert "url(" not in text
    assert "@import" not in text
    addresses = set(re.findall(r"https?://[^\"' <]+", text))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert any(
        attributes.get("http-equiv") == "Content-Security-Policy"
        and attributes["content"].startswith("default-src 'none'")
        for tag, attributes in page.elements
        if tag == "meta"
    )


def test_every_picture_is_sound_and_speaks(page_bytes: bytes) -> None:
    pictures = re.findall(r"<svg xmlns.*?</svg>", page_bytes.decode(), re.DOTALL)
    assert len(pictures) == 6  # two lines, phasors, trend, collision, turn-around
    names: list[str] = []
    space = "{http://www.w3.org/2000/svg}"
    for picture in pictures:
        root = ET.fromstring(picture)
        assert root.get("role") == "img"
        title, description = root.find(f"{space}title"), root.find(f"{space}desc")
        assert title is not None
        assert description is not None
        assert title.text
        assert description.text
        assert root.get("aria-labelledby") == f"{title.get('id')} {description.get('id')}"
        names += [str(title.get("id")), str(description.get("id"))]
        width, height = float(str(root.get("width"))), float(str(root.get("height")))
        for element in root.iter():
            for place, limit in (("x", width), ("x1", width), ("x2", width), ("y", height)):
                value = element.get(place)
                if value is not None:
                    assert -1 <= float(value) <= limit + 1, (element.tag, element.attrib)
    assert len(set(names)) == len(names)


def test_states_are_told_by_words_and_signs_too(page_bytes: bytes) -> None:
    page = page_bytes.decode()
    words = re.findall(r'<span class="word (\w+)">(<svg.*?</svg>)([A-Z ]+)</span>', page)
    kinds = {kind for kind, _, _ in words}
    assert {"pass", "fail", "open"} <= kinds
    # Each kind has a sign of its own.
    signs = {kind: {sign for k, sign, _ in words if k == kind} for kind in kinds}
    assert all(len(found) == 1 for found in signs.values())
    assert len({sign for found in signs.values() for sign in found}) == len(kinds)


def test_the_page_says_what_it_must(page_bytes: bytes) -> None:
    text = parsed(page_bytes).text
    for wanted in (
        "What this report shows, and what it does not",
        "does not state conformity with any standard",
        "it is not a signature",
        "What was not tested",
        "Never open a CT secondary under load.",
        "SHA-256",
        "Verified by",
        "Received by",
        "The site as left was not recorded",
    ):
        assert wanted in text
    assert "according to" not in text.lower()
    assert "conforms" not in text.lower()


def test_the_page_names_the_hash_of_its_data(tmp_path: Path) -> None:
    made = report(recording(tmp_path / "a.busprobe"))
    data = JsonRenderer().render(made)
    assert data.decode() == report_json(made)
    digest = hashlib.sha256(data).hexdigest()
    assert json_sha256(made) == digest
    shown = re.sub(r"\s", "", parsed(HtmlRenderer().render(made)).text)
    assert digest in shown


def test_a_real_browser_runs_nothing_and_shows_all(hostile_page: bytes, tmp_path: Path) -> None:
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        if os.environ.get("BUSPROBE_REQUIRE_PEERS") == "1":
            pytest.fail("no browser is installed")
        pytest.skip("no browser is installed")
    page = tmp_path / "report.html"
    # What a script would do if one ran: the title is read back from the finished document.
    page.write_bytes(hostile_page.replace(b"alert(1)", b"document.title='ran'"))
    done = subprocess.run(
        [browser, "--headless", "--no-sandbox", "--disable-gpu",
         f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", page.as_uri()],
        capture_output=True, timeout=100, check=True,
    )  # fmt: skip
    shown = done.stdout.decode()
    assert "<title>ran" not in shown
    assert "<title>&lt;b&gt;" in shown
    assert "&lt;script&gt;document.title" in shown
    assert not re.search(r"<script|<img|<b>bold", shown)
