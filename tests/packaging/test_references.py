"""The reference pages say what the program says, and leave nothing out."""

from __future__ import annotations

import importlib.util
import re
import string
from pathlib import Path
from types import ModuleType

import pytest

from busprobe.diagnosis.catalogue import CATALOGUE
from busprobe.profiles.schema import DeviceProfile
from busprobe.site.plan import SitePlan
from busprobe.site.plan_parts import MeterPart

DOCS = Path(__file__).resolve().parents[2] / "docs"


def generator() -> ModuleType:
    spec = importlib.util.spec_from_file_location("write_references", DOCS / "write_references.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def writer() -> ModuleType:
    return generator()


def test_the_pages_are_what_the_generator_writes(writer: ModuleType) -> None:
    stale = [
        name
        for name, write in writer.PAGES.items()
        if (DOCS / name).read_text(encoding="utf-8") != write()
    ]
    assert stale == [], "run: python docs/write_references.py"


def test_every_finding_has_its_place_on_the_page(writer: ModuleType) -> None:
    page = writer.findings_reference()
    headings = re.findall(r"^### (\S+)$", page, re.MULTILINE)
    assert sorted(headings) == sorted(CATALOGUE)
    for code, entry in CATALOGUE.items():
        section = page.split(f"\n### {code}\n", 1)[1].split("\n### ", 1)[0]
        assert f"**{entry.severity.upper()}**" in section
        assert ("*Caution:*" in section) == (entry.caution is not None)


def test_no_template_is_left_unfilled(writer: ModuleType) -> None:
    assert "{" not in writer.findings_reference()
    named = {
        name
        for entry in CATALOGUE.values()
        for text in (entry.summary, entry.cause, entry.remedy)
        for _, name, _, _ in string.Formatter().parse(text)
        if name
    }
    # Words for facts that no sentence needs any more would mislead whoever changes them.
    unused = [fact for fact in writer.FACTS if fact.rpartition(".")[2] not in named]
    assert unused == []


def keys_under(page: str, heading: str) -> list[str]:
    section = re.split(rf"^## {re.escape(heading)}$", page, flags=re.MULTILINE)[1]
    table = section.split("\n## ", 1)[0]
    return re.findall(r"^\| `(\w+)` \|", table, re.MULTILINE)


def test_every_key_of_a_file_is_explained(writer: ModuleType) -> None:
    plan = writer.plan_reference()
    assert keys_under(plan, "The file") == list(SitePlan.model_fields)
    assert keys_under(plan, "meters") == list(MeterPart.model_fields)
    profile = writer.profile_reference()
    assert keys_under(profile, "The file") == list(DeviceProfile.model_fields)
    for page in (plan, profile):
        empty = [line for line in page.splitlines() if re.match(r"\| `.*\|\s*\|$", line)]
        assert empty == []


def test_ranges_are_told_as_the_model_checks_them(writer: ModuleType) -> None:
    assert "| `address` | whole number 1 to 255 | **must be given** |" in writer.plan_reference()
    assert "| `primary_a` | number above 0, up to 100 000 |" in writer.plan_reference()
