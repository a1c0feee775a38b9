"""What stands on a sheet can be read to its last row, in the smallest window too."""

from __future__ import annotations

from stage import Stage, on_stage, walk
from textual.screen import ModalScreen

from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.reading import Reading

SMALLEST = (80, 24)


def _all_in_sight(stage: Stage, reading: Reading) -> bool:
    """Whether nothing of it lies below the rows where it is drawn."""
    bottom = stage.app.screen.query_one(KeyLine).region.y
    return reading.region.bottom <= bottom


async def test_every_sheet_of_a_job_is_scrolled_to_its_end() -> None:
    seen = longer = 0
    async with on_stage(size=SMALLEST) as stage:
        async for station in walk(stage):
            screen = stage.app.screen
            readings = list(screen.query(Reading)) if isinstance(screen, ModalScreen) else []
            for reading in readings:
                assert _all_in_sight(stage, reading), station
                hidden = reading.virtual_size.height - reading.size.height
                assert reading.max_scroll_y == max(0, hidden), station
                seen += 1
                longer += hidden > 0
    assert seen >= 10
    assert longer >= 1


async def test_the_caution_of_a_finding_is_reached_by_keys() -> None:
    async with on_stage(size=SMALLEST) as stage:
        await stage.addresses()
        await stage.press("d")
        assert "form no frame" not in stage.screen_text()
        await stage.press("pagedown", "pagedown")
        assert "form no frame" in stage.screen_text()
        await stage.press("home")
        assert "Cause" in stage.screen_text()


async def test_another_piece_of_evidence_brings_its_picture_into_sight() -> None:
    async with on_stage(size=SMALLEST) as stage:
        await stage.addresses()
        await stage.press("d", "right")
        assert "both / unknown" in stage.screen_text()


async def test_pages_are_turned_while_a_field_has_the_keys() -> None:
    async with on_stage(size=SMALLEST) as stage:
        await stage.press("j")
        stage.app.screen.query_one("#hex").value = "01 03 00 00 00 02 C4 0B " * 8  # type: ignore[attr-defined]
        await stage.settle()
        reading = stage.app.screen.query_one(Reading)
        assert reading.max_scroll_y > 0
        await stage.press("pagedown")
        assert reading.scroll_y > 0
        await stage.press("pageup")
        assert reading.scroll_y == 0
