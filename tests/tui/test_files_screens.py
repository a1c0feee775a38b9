"""Recorded series and exports at the screen, driven by keys."""

from __future__ import annotations

from pathlib import Path

from stage import on_stage
from textual.widgets import Input

from busprobe.session.wishes import ExportWish, SeriesWish
from busprobe.tui.screens.series import ExportScreen, SeriesScreen


async def test_a_series_of_a_meter_is_judged_without_a_link(tmp_path: Path) -> None:
    log = tmp_path / "log.csv"
    log.write_text("t\n")
    async with on_stage() as stage:
        stage.app.screen.set_focus(None)
        await stage.press("5", "S")
        screen = stage.app.screen
        assert isinstance(screen, SeriesScreen)
        screen.query_one("#series-file", Input).value = str(log)
        screen.query_one("#series-tolerance", Input).value = "5"
        await stage.press("enter")
        assert "reading the series" in stage.screen_text()
        assert stage.session.calls[-1] == ("judge_series", (SeriesWish(log, False, 2000.0, 0.05),))
        await stage.play()
        shown = stage.screen_text()
        assert "FAULT" in shown
        assert "CT L2 reversed" in shown
        await stage.press("escape", "S")
        assert stage.app.screen.query_one("#series-tolerance", Input).value == "5"


async def test_a_series_of_a_site(tmp_path: Path) -> None:
    log = tmp_path / "site.csv"
    log.write_text("t\n")
    async with on_stage(size=(120, 40)) as stage:
        stage.app.screen.set_focus(None)
        await stage.press("6", "S")
        screen = stage.app.screen
        screen.query_one("#series-file", Input).value = str(log)
        screen.query_one("#grid", Input).value = "main"
        screen.query_one("#generators", Input).value = "pv:6000,chp"
        await stage.press("enter")
        meters = (("grid", "main"), ("generator", "pv:6000"), ("generator", "chp"))
        wish = SeriesWish(log, site=True, meters=meters)
        assert stage.session.calls[-1] == ("judge_series", (wish,))
        await stage.play()
        assert "CORRECT" in stage.screen_text() or "RIGHT" in stage.screen_text()


async def test_without_a_file_it_says_what_to_write() -> None:
    async with on_stage() as stage:
        stage.app.screen.set_focus(None)
        await stage.press("5", "S", "enter")
        told = " ".join(stage.screen_text().replace("│", "").split())
        assert "No file is named. Write the name of a CSV or JSON Lines file." in told
        assert stage.session.calls == []


async def test_a_recording_is_exported_beside_itself() -> None:
    async with on_stage() as stage:
        await stage.find()
        stage.app.state.recording = "/tmp/visit.busprobe"
        await stage.press("7", "E")
        screen = stage.app.screen
        assert isinstance(screen, ExportScreen)
        screen.query_one("#frames", Input).value = ""
        await stage.press("enter")
        wish = ExportWish(
            None, Path("/tmp/visit.pcapng"), Path("/tmp/visit-values.csv"), None,
            Path("/tmp/visit.json"),
        )  # fmt: skip
        assert stage.session.calls[-1] == ("export", (wish,))
        await stage.play()
        shown = stage.screen_text()
        assert "Written:" in shown
        assert "/tmp/visit-values.csv" in shown
