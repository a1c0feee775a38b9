"""The mouse does what the keys do: lists, findings, wheel."""

from __future__ import annotations

from stage import Stage, on_stage
from textual.events import MouseScrollDown, MouseScrollUp

from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.screens.link_pane import ChoiceList
from busprobe.tui.widgets.findings_list import FindingsList
from busprobe.tui.widgets.frame_list import FrameList
from busprobe.tui.widgets.line_list import LineList


async def turn(stage: Stage, listed: LineList, kind: type, times: int = 3) -> None:
    for _ in range(times):
        await stage.pilot._post_mouse_events([kind], widget=listed, offset=(4, 2))
        await stage.settle()


async def test_a_click_marks_a_link_and_a_second_one_opens_it() -> None:
    async with on_stage(size=(120, 40)) as stage:
        listed = stage.app.screen.query_one(ChoiceList)
        before = listed.cursor
        row = before + 2 - listed.scroll_offset.y
        await stage.pilot.click(ChoiceList, offset=(4, row))
        await stage.settle()
        assert listed.cursor != before
        assert not [c for c in stage.session.calls if c[0] == "open"]


async def test_a_click_on_the_marked_finding_tells_everything_about_it() -> None:
    async with on_stage() as stage:
        await stage.wiring_done()
        listed = stage.app.screen.query_one(FindingsList)
        assert listed.entry_count() > 0
        row = 1 + listed.cursor * listed.entry_rows() - listed.scroll_offset.y
        await stage.pilot.click(FindingsList, offset=(6, row))
        await stage.settle()
        assert isinstance(stage.app.screen, FindingScreen)


async def test_the_wheel_lets_a_list_that_follows_be_read() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("w", "f")
        await stage.play(9)
        listed = stage.app.screen.query_one(FrameList)
        assert listed.follow
        assert listed.max_scroll_y > 0
        await turn(stage, listed, MouseScrollUp)
        read = listed.scroll_offset.y
        assert read < listed.max_scroll_y
        await stage.play(9)
        assert listed.scroll_offset.y == read
        assert not listed.follow
        await turn(stage, listed, MouseScrollDown, 1)
        assert listed.scroll_offset.y > read
        await stage.pilot.press("l")
        await stage.settle()
        assert listed.follow
        assert listed.scroll_offset.y == listed.max_scroll_y
