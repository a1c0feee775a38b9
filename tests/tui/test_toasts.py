"""What is told for a moment covers neither findings nor keys."""

from __future__ import annotations

import pytest
from stage import Stage, make_app
from textual.widgets._toast import Toast


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (200, 50)])
async def test_a_toast_leaves_findings_and_keys_to_be_read(size: tuple[int, int]) -> None:
    app = make_app()
    async with app.run_test(size=size, notifications=True) as pilot:
        stage = Stage(app, pilot)
        await stage.settle()
        stage.app.notify("Choose a link, or type one that this computer can open.", markup=False)
        await stage.pilot.pause()
        toasts = stage.app.screen.query(Toast)
        assert len(toasts) == 1
        covered = toasts.first().region
        assert covered.area > 0
        for name in ("#findings", "#keys"):
            assert not covered.overlaps(stage.app.screen.query_one(name).region)
