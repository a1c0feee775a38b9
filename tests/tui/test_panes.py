"""Panes are made when their step is first shown, once, and keep what was typed."""

from __future__ import annotations

import asyncio

import pytest
from quiet import quiet
from stage import on_stage
from textual.widgets import Input

from busprobe.session.events import Step
from busprobe.tui.screens.panes import Panes
from busprobe.tui.screens.work import WorkScreen

LATER = [step for step in Step if step not in (Step.LINK, Step.FIND)]


def shown(panes: Panes) -> list[str | None]:
    return [pane.id for pane in panes.children if pane.display]


@pytest.mark.parametrize("step", LATER)
async def test_a_pane_is_there_when_its_step_is_shown_and_not_before(step: Step) -> None:
    async with on_stage() as stage:
        panes = stage.app.screen.query_one(Panes)
        assert {pane.id for pane in panes.children} == {"pane-link", "pane-find"}
        assert shown(panes) == ["pane-link"]
        await stage.press(str(list(Step).index(step) + 1))
        assert {pane.id for pane in panes.children} == {"pane-link", "pane-find", f"pane-{step}"}
        assert shown(panes) == [f"pane-{step}"]


async def test_a_pane_that_is_asked_for_twice_at_once_is_made_once_and_whole() -> None:
    async with on_stage() as stage:
        work = stage.app.screen
        assert isinstance(work, WorkScreen)
        await asyncio.gather(*(work.action_show_step(Step.HANDOVER) for _ in range(3)))
        assert work.query_one("#plan-file", Input).value == ""
        await quiet()
        assert len(work.query("#pane-handover")) == 1
        assert shown(work.query_one(Panes)) == ["pane-handover"]


async def test_what_was_typed_is_still_there_after_another_step() -> None:
    async with on_stage() as stage:
        await stage.press("7")
        stage.app.screen.query_one("#plan-file", Input).value = "mill.plan.yaml"
        await stage.press("1", "8", "7")
        assert stage.app.screen.query_one("#plan-file", Input).value == "mill.plan.yaml"
        assert str(stage.app.plan_file) == "mill.plan.yaml"


async def test_keys_struck_without_a_pause_find_their_pane() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.pilot.press("4", "s")
        await stage.settle()
        assert stage.session.calls[-1][0] == "check_line"
