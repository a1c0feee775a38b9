"""`busprobe report` as people and other programs call it."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator
from busprobe.report import pdf
from busprobe.report.details import TEMPLATE
from tests.report.visits import METER, NOW, REVERSED, collided, recording


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


def call(*arguments: str | Path) -> Ran:
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    result = CliRunner().invoke(application, ["report", *map(str, arguments)], obj=outside)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)


@pytest.fixture
def visit(tmp_path: Path) -> Path:
    return collided(tmp_path / "visit.busprobe")


def test_a_report_is_written_and_its_end_told(visit: Path, tmp_path: Path) -> None:
    html, data = tmp_path / "out.html", tmp_path / "out.json"
    ran = call(visit, "--html", html, "--json", data)
    assert ran.status == 1
    assert ": FAIL" in ran.out
    assert "More than one device answers at address 5." in ran.out
    document = json.loads(data.read_bytes())
    assert document["schema"] == "busprobe-report/1"
    assert html.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    digest = hashlib.sha256(data.read_bytes()).hexdigest()
    grouped = " ".join(digest[n : n + 8] for n in range(0, 64, 8))
    assert grouped in html.read_text(encoding="utf-8")


def test_several_recordings_and_the_site_as_left_make_one_report(
    visit: Path, tmp_path: Path
) -> None:
    more = recording(tmp_path / "more.busprobe", findings=(REVERSED,))
    left = recording(tmp_path / "left.busprobe", devices=(METER,), started=NOW)
    data = tmp_path / "out.json"
    assert call(visit, more, "--as-left", left, "--json", data).status == 1
    document = json.loads(data.read_bytes())
    states = {r["file"]: r["state"] for r in document["recordings"]}
    assert states == {
        "visit.busprobe": "as-found",
        "more.busprobe": "as-found",
        "left.busprobe": "as-left",
    }
    assert {d["code"] for d in document["defects"]} == {"ct-reversed", "duplicate-address"}


def test_the_document_on_standard_output_keeps_its_schema(visit: Path, tmp_path: Path) -> None:
    html = tmp_path / "out.html"
    ran = call(visit, "--html", html, "--json")
    document = json.loads(ran.out)
    jsonschema.validate(document, json_schema("report"))
    result = document["result"]
    assert result["conclusion"] == "FAIL"
    assert result["files"] == [
        {
            "kind": "html",
            "file": str(html),
            "sha256": hashlib.sha256(html.read_bytes()).hexdigest(),
        }
    ]


def test_nothing_is_overwritten_unless_told(visit: Path, tmp_path: Path) -> None:
    html = tmp_path / "out.html"
    html.write_text("precious")
    ran = call(visit, "--html", html)
    assert ran.status == 2
    assert "exists already" in ran.err
    assert html.read_text() == "precious"
    assert call(visit, "--html", html, "--overwrite").status == 1
    assert html.read_text(encoding="utf-8") != "precious"


def test_a_recording_is_never_changed(visit: Path, tmp_path: Path) -> None:
    before = visit.read_bytes()
    call(visit, "--html", tmp_path / "out.html", "--json", tmp_path / "out.json")
    assert visit.read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "out.html", "out.json", "visit.busprobe",
    ]  # fmt: skip


def test_the_template_of_the_details_is_printed_and_taken(visit: Path, tmp_path: Path) -> None:
    ran = call("--details-template")
    assert (ran.status, ran.out) == (0, TEMPLATE)
    details = tmp_path / "details.yaml"
    details.write_text(ran.out.replace('customer: ""', "customer: A. Miller"), encoding="utf-8")
    data = tmp_path / "out.json"
    assert call(visit, "--details", details, "--json", data).status == 1
    assert json.loads(data.read_bytes())["site"]["customer"] == "A. Miller"


def test_wrong_files_are_told_with_their_place(visit: Path, tmp_path: Path) -> None:
    details = tmp_path / "details.yaml"
    details.write_text("technician:\n  nmae: R. Example\n", encoding="utf-8")
    ran = call(visit, "--details", details)
    assert ran.status == 2
    assert f"{details}:2:3: technician.nmae: is not a key that is known here" in ran.err
    foreign = tmp_path / "letter.txt"
    foreign.write_text("Dear Sir")
    for arguments in ((foreign,), ("--verification", foreign), (tmp_path / "missing",), ()):
        ran = call(*arguments)
        assert ran.status == 2, arguments
        assert ran.err.startswith("busprobe: ")


def test_a_pdf_without_means_is_told_before_anything_is_written(
    visit: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "_typst", lambda: None)
    monkeypatch.setattr(pdf, "find_browser", lambda: None)
    ran = call(visit, "--html", tmp_path / "out.html", "--pdf", tmp_path / "out.pdf")
    assert ran.status == 2
    assert "pip install 'busprobe[pdf]'" in ran.err
    assert not (tmp_path / "out.html").exists()


def test_the_schema_of_the_data_is_printed() -> None:
    ran = call("--schema")
    assert ran.status == 0
    schema = json.loads(ran.out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["properties"]["schema"]["const"] == "busprobe-report/1"


def test_a_report_that_writes_nothing_says_so(visit: Path) -> None:
    ran = call(visit)
    assert ran.status == 1
    assert "give --html, --pdf or --json FILE" in ran.err
