"""The line on paper at the screen, driven by keys."""

from __future__ import annotations

import pytest
from stage import Stage, on_stage
from textual.widgets import Input

from busprobe.diagnosis.electrical import WrittenLine, calculate_written
from busprobe.model.line import LineSettings
from busprobe.tui.form import mistakes
from busprobe.tui.screens.paper import PAPER, PaperScreen, worked_out
from busprobe.tui.screens.work import WorkScreen


async def type_in(stage: Stage, field: str, text: str) -> None:
    """Replace what stands in a field, by keys."""
    widget = stage.app.screen.query_one(f"#{field}", Input)
    for _ in range(len(PAPER)):
        if widget.has_focus:
            break
        await stage.press("tab")
    while not widget.has_focus:
        await stage.press("tab")
    await stage.press("end", *("backspace",) * len(widget.value), *text)


async def test_a_line_is_reckoned_without_any_link() -> None:
    async with on_stage() as stage:
        await stage.press("tab", "4")
        stage.app.set_focus(None)
        await stage.press("4", "b")
        assert isinstance(stage.app.screen, PaperScreen)
        # Two terminators and no bias hold nothing: 0 mV (TIA/EIA-485-A wants 200 mV).
        assert "0 mV" in stage.screen_text()
        assert "NOT OK" in stage.screen_text()
        assert stage.session.calls == []


async def test_what_is_known_of_the_line_stands_in_the_fields() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("4", "b")
        fields = {i.id: i.value for i in stage.app.screen.query(Input)}
        # Three addresses answer, and the master is a transceiver, too.
        assert fields["nodes"] == "4"
        assert fields["paper-baud"] == str(stage.app.state.settings.baud)  # type: ignore[union-attr]


async def test_typing_reckons_anew_and_stays_for_the_next_time() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.find()
        await stage.press("4", "b")
        await type_in(stage, "bias", "560")
        await type_in(stage, "reads", "3x50")
        shown = stage.screen_text()
        assert "Poll every" in shown
        await stage.press("escape")
        assert isinstance(stage.app.screen, WorkScreen)
        await stage.press("b")
        assert stage.app.screen.query_one("#bias", Input).value == "560"
        assert "Poll every" in stage.screen_text()


async def test_a_mistake_is_told_in_plain_words_beside_what_to_do() -> None:
    async with on_stage() as stage:
        await stage.press("4")
        stage.app.set_focus(None)
        await stage.press("4", "b")
        await type_in(stage, "length", "lang")
        shown = stage.screen_text()
        assert "Cable/m: 'lang' does not fit here. Write a number of at least 0 m." in shown
        await stage.press("down")
        assert "To be corrected: Cable/m" in stage.screen_text()


async def test_up_and_down_move_between_the_fields() -> None:
    async with on_stage() as stage:
        await stage.press("4")
        stage.app.set_focus(None)
        await stage.press("4", "b")
        assert stage.app.screen.focused is not None
        assert stage.app.screen.focused.id == "terminators"
        await stage.press("down")
        assert stage.app.screen.focused.id == "bias"
        await stage.press("up", "up")
        assert stage.app.screen.focused.id == "timeout"


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_no_label_and_no_default_is_cut(size: tuple[int, int]) -> None:
    async with on_stage(size=size) as stage:
        await stage.press("4")
        stage.app.set_focus(None)
        await stage.press("4", "b")
        shown = stage.screen_text()
        for field in PAPER:
            assert f"{field.label} " in shown
            if not field.choices:
                assert field.default in shown


def test_the_fields_reckon_what_the_command_reckons() -> None:
    """Defaults and values mean the same in both faces."""
    texts = {"bias": "560", "length": "80", "reads": "2x50+10,60", "nodes": "5"}
    line = WrittenLine(bias="560", length_m=80.0, reads="2x50+10,60", nodes=5)
    assert worked_out(texts) == calculate_written(line, LineSettings())
    assert worked_out({}) == calculate_written(WrittenLine(), LineSettings())


def test_every_default_fits_its_own_field() -> None:
    assert mistakes(PAPER, {}) == {}
