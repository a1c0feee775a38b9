"""The field of the plan in the handover step."""

from __future__ import annotations

from stage import on_stage

from busprobe.tui.screens.handover_pane import HandoverPane


async def test_of_a_long_path_the_name_of_the_file_is_in_sight() -> None:
    async with on_stage() as stage:
        await stage.press("7")
        stage.app.state.plan_file = "/srv/visit/Documents/customers/lane/2026/autumn/mill.plan.yaml"
        stage.app.screen.query_one(HandoverPane).refresh_state()
        await stage.settle()
        assert "/mill.plan.yaml" in stage.screen_text()
