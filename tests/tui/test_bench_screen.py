"""The bench test at the screen: keys, what is asked of the session, and what is shown."""

from __future__ import annotations

from stage import go_to, on_stage
from textual.widgets import Input, Select

from busprobe.diagnosis.bench import Rating, Reference
from busprobe.session.bench import BenchWish
from busprobe.session.events import Step
from busprobe.tui.screens.settings_tour import SettingsTourScreen
from busprobe.tui.state import StepState


async def test_a_bench_test_asks_what_was_typed_shows_checks_and_can_be_stopped() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("8")
        screen = stage.app.screen
        screen.query_one("#bench-address", Input).value = "7"
        screen.query_one("#bench-watch", Input).value = "5"
        screen.query_one("#bench-class", Select).value = "B"
        screen.query_one("#bench-rated", Input).value = "5"
        screen.query_one("#bench-reference", Input).value = "V_L1=230.4 P=1020"
        await stage.press("s")
        name, (wish,) = stage.session.calls[-1]
        assert name == "bench"
        assert isinstance(wish, BenchWish)
        assert (wish.address, wish.every_setting) == (7, False)
        assert (wish.plan.requests, wish.plan.watch_s) == (100, 5.0)
        assert wish.plan.references == (Reference("V_L1", 230.4), Reference("P", 1020.0))
        assert wish.plan.rating == Rating("B", 5.0)
        await stage.play(6)
        text = stage.screen_text()
        assert "42 %" in text
        assert "It says who it is" in text
        assert "x Stop" in text
        await stage.press("x")
        assert stage.app.state.steps[Step.BENCH].state is StepState.STOPPED


async def test_what_is_no_reference_is_told_and_nothing_is_asked_of_the_bus() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("8")
        stage.app.screen.query_one("#bench-reference", Input).value = "V_L9=1"
        await stage.press("s")
        assert "'V_L9=1' is not a quantity and a value" in stage.notices()
        assert all(name != "bench" for name, _ in stage.session.calls)


async def test_every_setting_is_shown_first_and_tested_only_when_confirmed() -> None:
    async with on_stage() as stage:
        await go_to(stage, "bench-tour")
        assert isinstance(stage.app.screen, SettingsTourScreen)
        assert "register 2002 := 1 (0001h), its new rate: 19200" in stage.screen_text()
        await stage.press("escape")
        assert all(name != "bench" for name, _ in stage.session.calls)
        await stage.press("u")
        await stage.play()
        await stage.press("y")
        name, (wish,) = stage.session.calls[-1]
        assert name == "bench"
        assert isinstance(wish, BenchWish)
        assert wish.every_setting
