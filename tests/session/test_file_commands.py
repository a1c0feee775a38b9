"""Series that are judged, recordings that are exported, report data that was typed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from busprobe.launch import link_opener
from busprobe.model.line import LineSettings
from busprobe.recording.read import open_recording
from busprobe.report.details import load_details
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.session.keeping import begin_recording
from busprobe.session.reporting import details_for
from busprobe.session.session import Session
from busprobe.session.wishes import ExportWish, ReportWish, SearchWish, SeriesWish
from tests.cli.test_balance import REVERSED, drawn, written
from tests.diagnosis.balance.energy_sites import EnergySite, Generator
from tests.session.test_session import Heard

# pcapng: the Section Header Block begins with this type (IETF draft-ietf-opsawg-pcapng, 4.1).
PCAPNG = bytes.fromhex("0A0D0D0A")


def test_a_series_of_a_site_is_judged_without_a_link(tmp_path: Path) -> None:
    site = EnergySite(generators={"gen": Generator(shown=REVERSED)})
    file = written(tmp_path / "a.csv", drawn(site))
    session = Session(link_opener(pace="virtual"))
    heard = Heard(session)
    session.judge_series(SeriesWish(file, site=True))
    judged = heard.until(events.SeriesJudged)
    assert isinstance(judged, events.SeriesJudged)
    assert judged.balance is not None
    assert judged.balance.meter("gen").sign.value == "reversed"
    assert [f.code for f in judged.findings] == ["balance-meter-reversed"]
    session.close()


def test_a_series_that_is_none_is_told_with_what_to_do(tmp_path: Path) -> None:
    session = Session(link_opener(pace="virtual"))
    heard = Heard(session)
    for wish in (
        SeriesWish(tmp_path / "nowhere.csv"),
        SeriesWish(tmp_path / "nowhere.csv", site=True, meters=(("grid", "main"),)),
    ):
        session.judge_series(wish)
        judged = heard.until(events.SeriesJudged)
        assert isinstance(judged, events.SeriesJudged)
        assert (judged.wiring, judged.balance) == (None, None)
        assert "cannot be read" in judged.error
    session.close()


def test_a_visit_to_some_addresses_is_exported_and_reported(tmp_path: Path) -> None:
    visit = tmp_path / "mine.busprobe"
    session = Session(link_opener(pace="virtual"))
    heard = Heard(session)
    session.open("sim:healthy", LineSettings(), visit)
    session.find(wish=SearchWish((1, 2, 3), second_round=False, duplicates=False))
    assert heard.end_of(Step.FIND).end is StepEnd.DONE
    asked = {e.exchange.request.address for e in heard.all if isinstance(e, events.ExchangeMade)}
    assert asked == {1, 2, 3}
    session.export(
        ExportWish(
            pcapng=tmp_path / "a.pcapng", readings=tmp_path / "a.csv", frames=tmp_path / "f.csv",
            everything=tmp_path / "a.json",
        )
    )  # fmt: skip
    done = heard.until(events.Exported)
    assert isinstance(done, events.Exported)
    assert (done.error, len(done.files)) == ("", 4)
    assert (tmp_path / "a.pcapng").read_bytes().startswith(PCAPNG)
    assert json.loads((tmp_path / "a.json").read_text(encoding="utf-8"))
    session.write_report(ReportWish(known=(("site", "customer", "Mill Lane Dairy"),)))
    report = heard.until(events.ReportWritten)
    assert isinstance(report, events.ReportWritten)
    page = next(Path(file) for file in report.files if file.endswith(".html"))
    assert "Mill Lane Dairy" in page.read_text(encoding="utf-8")
    session.close()
    with open_recording(visit) as kept:
        assert kept.head.endpoint == "sim:healthy"


def test_an_export_never_replaces_the_recording(tmp_path: Path) -> None:
    visit = tmp_path / "visit.busprobe"
    session = Session(link_opener(pace="virtual"), lambda link: begin_recording(visit, link))
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.export(ExportWish(everything=visit))
    done = heard.until(events.Exported)
    assert isinstance(done, events.Exported)
    assert "replace the recording itself" in done.error
    session.close()
    with open_recording(visit) as kept:
        assert kept.head.endpoint == "sim:healthy"


def test_a_replay_is_reported_beside_its_recording(tmp_path: Path) -> None:
    visit = tmp_path / "visit.busprobe"
    session = Session(link_opener(pace="virtual"), lambda link: begin_recording(visit, link))
    session.open("sim:healthy", LineSettings())
    session.find(wish=SearchWish((1,)))
    session.close()
    session = Session(link_opener(pace="virtual"))
    heard = Heard(session)
    session.open(f"replay:{visit}")
    session.write_report()
    report = heard.until(events.ReportWritten)
    assert isinstance(report, events.ReportWritten)
    assert all(Path(file).parent == tmp_path for file in report.files)
    session.close()


def test_a_visit_may_be_kept_out_of_every_recording(tmp_path: Path) -> None:
    visit = tmp_path / "visit.busprobe"
    session = Session(link_opener(pace="virtual"), lambda link: begin_recording(visit, link))
    heard = Heard(session)
    session.open("sim:healthy", LineSettings(), kept=False)
    heard.until(events.LinkOpened)
    session.close()
    assert not visit.exists()


def test_what_was_typed_goes_before_the_file_and_keeps_its_photos(tmp_path: Path) -> None:
    folder = tmp_path / "office"
    folder.mkdir()
    file = folder / "customer.yaml"
    file.write_text(
        "format: 1\nsite: {customer: Old name, order: A-17}\n"
        "photos: [{file: board.png, caption: The board}]\n",
        encoding="utf-8",
    )
    photo = tmp_path / "ct.png"
    wish = ReportWish(
        details=file,
        known=(("site", "customer", "Mill: Lane"), ("witness", "name", "B. Example")),
        photos=((photo, "CT of L2"),),
    )
    made = details_for(tmp_path / "visit.busprobe", wish)
    assert made == tmp_path / "visit-details.yaml"
    details = load_details(made)
    assert (details.site.customer, details.site.order) == ("Mill: Lane", "A-17")
    assert details.witness is not None
    assert details.witness.name == "B. Example"
    assert [p.file for p in details.photos] == [str(folder / "board.png"), str(photo)]


@pytest.mark.parametrize("wish", [ReportWish(), ReportWish(details=Path("/office/customer.yaml"))])
def test_without_anything_typed_the_named_file_is_taken_as_it_is(
    wish: ReportWish, tmp_path: Path
) -> None:
    assert details_for(tmp_path / "visit.busprobe", wish) == wish.details
    assert list(tmp_path.iterdir()) == []
