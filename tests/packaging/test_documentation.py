"""The documentation stays true: links lead somewhere, commands exist."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from busprobe.cli.app import COMMANDS, Outside, application
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator

ROOT = Path(__file__).resolve().parents[2]
PAGES = [
    path
    for path in sorted(ROOT.rglob("*.md"))
    if not any(part.startswith(".") or part == "build" for part in path.relative_to(ROOT).parts)
]


def anchors(text: str) -> set[str]:
    heads = re.findall(r"^#+ +(.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(encoding="utf-8"), flags=re.DOTALL)
    dead = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        place = page if not name else (page.parent / name).resolve()
        if not place.exists() or (
            anchor and anchor not in anchors(place.read_text(encoding="utf-8"))
        ):
            dead.append(target)
    assert dead == []


def command_lines() -> list[tuple[str, list[str]]]:
    found = []
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        for line in re.findall(r"(?:^\$ |`)busprobe ([^`\n|]+)", text, re.MULTILINE):
            found.append((page.name, line.split()))
    return found


def test_every_command_in_the_documentation_exists_with_its_options() -> None:
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    wrong = []
    lines = command_lines()
    assert len(lines) > 20
    for page, words in lines:
        name = words[0]
        if name.startswith("-") or not re.fullmatch(r"[a-z]+", name):
            continue
        if name not in COMMANDS:
            wrong.append(f"{page}: busprobe {' '.join(words)}")
            continue
        help_text = CliRunner().invoke(application, [name, "--help"], obj=outside).stdout
        options = re.findall(r"--[a-z][a-z0-9-]*", " ".join(words))
        wrong += [
            f"{page}: busprobe {name} {o}" for o in options if not re.search(rf"{o}\b", help_text)
        ]
    assert wrong == []


def test_every_command_is_documented() -> None:
    text = "".join(p.read_text(encoding="utf-8") for p in PAGES)
    silent = [name for name in COMMANDS if f"busprobe {name}" not in text]
    assert silent == []


def test_pictures_hold_nothing_from_outside() -> None:
    pictures = sorted((ROOT / "docs" / "pictures").glob("*.svg"))
    assert pictures
    for picture in pictures:
        text = picture.read_text(encoding="utf-8")
        outside = [
            url for url in re.findall(r"https?://[^\"'<> )]+", text) if "www.w3.org" not in url
        ]
        assert not [u for u in outside if "textualize" not in u and "rich" not in u], picture.name
        assert "<script" not in text
