"""The reports that are shown as examples are what this version makes."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path

import jsonschema
import pytest

from busprobe.report.content import Report, report_json, report_schema
from busprobe.report.details import load_details
from busprobe.report.render import HtmlRenderer
from busprobe_sim.scenario import load_scenario

EXAMPLES = Path(__file__).resolve().parents[2] / "docs" / "examples"
PAGES = ("mill-lane.handover", "mill-lane.visit")


@pytest.fixture(scope="module")
def example() -> str:
    return (EXAMPLES / "mill-lane.handover.json").read_text(encoding="utf-8")


def test_the_example_keeps_to_the_schema_of_this_version(example: str) -> None:
    document = json.loads(example)
    jsonschema.validate(document, report_schema())
    assert document["schema"] == "busprobe-report/1"


@pytest.mark.parametrize("name", PAGES)
def test_the_example_page_is_what_its_data_give(name: str) -> None:
    data = (EXAMPLES / f"{name}.json").read_text(encoding="utf-8")
    report = Report.model_validate_json(data)
    assert report_json(report) == data
    page = (EXAMPLES / f"{name}.html").read_bytes()
    assert HtmlRenderer().render(report) == page, (
        "the template has changed: render the example's data anew (python -m "
        "tests.report.test_report_example), and look at the page before committing it"
    )


@pytest.mark.parametrize("name", PAGES)
def test_the_example_pages_stand_alone(name: str) -> None:
    page = (EXAMPLES / f"{name}.html").read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    assert not re.search(r"<script|<link|<img|\son\w+=|url\(|/home/|/tmp/", page)


def test_the_example_shows_a_site_that_was_put_right() -> None:
    found, left = (
        Report.model_validate_json((EXAMPLES / f"{name}.json").read_text(encoding="utf-8"))
        for name in ("mill-lane.visit", "mill-lane.handover")
    )
    faults = {d.code: d.state for d in found.defects if d.severity == "fault"}
    assert faults == {"duplicate-address": "open", "ct-reversed": "open"}
    assert not [d for d in left.defects if d.severity == "fault" and d.state == "open"]
    assert left.conclusion.failed == 0


def test_the_files_of_the_example_are_those_that_were_used(example: str) -> None:
    details = EXAMPLES / "mill-lane.details.yaml"
    assert load_details(details).report.id == json.loads(example)["head"]["id"]
    sources = {s["file"]: s["sha256"] for s in json.loads(example)["sources"]}
    assert sources[details.name] == hashlib.sha256(details.read_bytes()).hexdigest()
    scenario = load_scenario(str(EXAMPLES / "mill-lane-as-left.scenario.yaml"))
    assert scenario.part.title.startswith("Mill Lane as left")


if __name__ == "__main__":
    for each in PAGES:
        known = (EXAMPLES / f"{each}.json").read_text(encoding="utf-8")
        again = HtmlRenderer().render(Report.model_validate_json(known))
        (EXAMPLES / f"{each}.html").write_bytes(again)
