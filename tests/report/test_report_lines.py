"""A site with two lines: the same address is another device on each."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

from busprobe.model.device import Identity
from busprobe.model.line import LineSettings, parse_link
from busprobe.model.reading import SignConvention, Snapshot
from busprobe.recording.store import create_recording
from busprobe.report.compose import compose
from busprobe.report.content import Report
from busprobe.report.material import gather
from busprobe.report.render import HtmlRenderer
from tests.report.visits import METER, NOW, REVERSED, STARTED, S, recording, report


def line(path: Path, link: str, model: str, power_w: float) -> Path:
    """A recording in which one meter at address 2 has a reversed CT."""
    recorder = create_recording(
        path,
        endpoint=parse_link(link),
        framing="rtu",
        version="0.1.0",
        started=STARTED,
        started_t_ns=0,
    )
    recorder.settings(0, LineSettings())
    device = replace(METER, identity=Identity("Nixenfurt", model, "1.0", f"S-{model}", "sunspec"))
    recorder.event(0, "DeviceKnown", asdict(device))
    recorder.snapshot(Snapshot(S, 2, {"P": power_w}, SignConvention.UNKNOWN))
    recorder.finding(2 * S, replace(REVERSED, device=f"Nixenfurt {model}"))
    assert recorder.close() is None
    return path


def report_of(tmp_path: Path) -> Report:
    files = (
        line(tmp_path / "barn.busprobe", "/dev/ttyUSB0", "Barn", 100.0),
        line(tmp_path / "cellar.busprobe", "/dev/ttyUSB1", "Cellar", 200.0),
    )
    return compose(gather(files), now=NOW, version="0.1.0")


def test_nothing_of_either_line_hides_the_other(tmp_path: Path) -> None:
    report = report_of(tmp_path)
    assert {d.device for d in report.defects} == {
        "Nixenfurt Barn on /dev/ttyUSB0",
        "Nixenfurt Cellar on /dev/ttyUSB1",
    }
    assert [(e.link, e.serial) for e in report.system.as_found] == [
        ("/dev/ttyUSB0", "S-Barn"),
        ("/dev/ttyUSB1", "S-Cellar"),
    ]
    assert {m.device: m.quantities["P"] for m in report.readings} == {
        "Nixenfurt Barn at address 2 on /dev/ttyUSB0": 100.0,
        "Nixenfurt Cellar at address 2 on /dev/ttyUSB1": 200.0,
    }
    assert list(dict.fromkeys(c.subject for c in report.checks)) == [
        "Nixenfurt Barn at address 2 on /dev/ttyUSB0",
        "Nixenfurt Cellar at address 2 on /dev/ttyUSB1",
    ]
    assert report.system.picture is not None
    assert [p.link for p in (report.system.picture, *report.system.more_pictures)] == [
        "/dev/ttyUSB0",
        "/dev/ttyUSB1",
    ]


def test_the_page_draws_both_lines_and_names_them_in_the_table(tmp_path: Path) -> None:
    page = HtmlRenderer().render(report_of(tmp_path)).decode()
    for link in ("/dev/ttyUSB0", "/dev/ttyUSB1"):
        assert f'<tr class="group"><th colspan="8"><bdi>{link}</bdi></th></tr>' in page
    assert page.count("The line as found, link") == 2


def test_a_line_that_was_mended_is_the_same_by_another_link(tmp_path: Path) -> None:
    found = line(tmp_path / "found.busprobe", "/dev/ttyUSB0", "Barn", 100.0)
    left = line(tmp_path / "left.busprobe", "/dev/ttyUSB7", "Barn", 100.0)
    report = compose(gather((found,), (left,)), now=NOW, version="0.1.0")
    assert len(report.defects) == 1
    assert {m.device for m in report.readings} == {"Nixenfurt Barn at address 2"}


def test_a_planned_device_that_answers_as_left_is_no_open_defect(tmp_path: Path) -> None:
    silent = replace(
        REVERSED,
        code="device-silent",
        address=3,
        device=None,
        summary="The device at address 3 does not answer, others do.",
    )
    before = recording(tmp_path / "before.busprobe", findings=(silent,))
    there = replace(METER, address=3, duplicate="single")
    after = recording(tmp_path / "after.busprobe", devices=(METER, there))
    elsewhere = recording(tmp_path / "elsewhere.busprobe", devices=(METER,))
    repaired, not_repaired = report(before, left=[after]), report(before, left=[elsewhere])
    assert {d.code: d.state for d in repaired.defects} == {"device-silent": "not found again"}
    assert {d.code: d.state for d in not_repaired.defects} == {"device-silent": "open"}
