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


@pytest.fixture(scope="module")
def example() -> str:
    return (EXAMPLES / "mill-lane.handover.json").read_text(encoding="utf-8")


def test_the_example_keeps_to_the_schema_of_this_version(example: str) -> None:
    document = json.loads(example)
    jsonschema.validate(document, report_schema())
    assert document["schema"] == "busprobe-report/1"


def test_the_example_page_is_what_its_data_give(example: str) -> None:
    report = Report.model_validate_json(example)
    assert report_json(report) == example
    page = (EXAMPLES / "mill-lane.handover.html").read_bytes()
    assert HtmlRenderer().render(report) == page, (
        "the template has changed: render the example's data anew (python -m "
        "tests.report.test_report_example), and look at the page before committing it"
    )


@pytest.mark.parametrize("name", ["mill-lane.handover.html", "mill-lane.visit.html"])
def test_the_example_pages_stand_alone(name: str) -> None:
    page = (EXAMPLES / name).read_text(encoding="utf-8")
    assert "default-src 'none'" in page
    assert not re.search(r"<script|<link|<img|\son\w+=|url\(|/home/|/tmp/", page)


def test_the_files_of_the_example_are_those_that_were_used(example: str) -> None:
    details = EXAMPLES / "mill-lane.details.yaml"
    assert load_details(details).report.id == json.loads(example)["head"]["id"]
    sources = {s["file"]: s["sha256"] for s in json.loads(example)["sources"]}
    assert sources[details.name] == hashlib.sha256(details.read_bytes()).hexdigest()
    scenario = load_scenario(str(EXAMPLES / "mill-lane-as-left.scenario.yaml"))
    assert scenario.part.title.startswith("Mill Lane as left")


if __name__ == "__main__":
    data = (EXAMPLES / "mill-lane.handover.json").read_text(encoding="utf-8")
    again = HtmlRenderer().render(Report.model_validate_json(data))
    (EXAMPLES / "mill-lane.handover.html").write_bytes(again)
