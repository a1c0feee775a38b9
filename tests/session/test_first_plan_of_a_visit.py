"""A first plan is written from what was found, and can be read as a plan."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest

from busprobe.launch import link_opener
from busprobe.model.errors import InputError
from busprobe.model.line import parse_link
from busprobe.session.events import Event, PlanWritten
from busprobe.session.job import Job
from busprobe.session.planning import write_plan
from busprobe.session.values import FindPlan
from busprobe.site.plan import load_plan


def test_what_was_found_becomes_a_plan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told: list[Event] = []

    async def visit() -> None:
        endpoint = parse_link("sim:healthy")
        opened = await link_opener(pace="virtual")(endpoint, None)
        job = Job(opened, endpoint, told.append)
        with pytest.raises(InputError, match="Nobody was found yet"):
            await write_plan(job, {})
        await job.find(FindPlan(duplicates=False, second_round=False))
        await write_plan(job, {})
        await write_plan(job, {})
        await job.close()
        planned = load_plan(tmp_path / "first.plan.yaml").plan
        assert len(planned.links) == 1
        assert planned.links[0].endpoint == endpoint

    asyncio.run(visit())
    files = [event.file for event in told if isinstance(event, PlanWritten)]
    assert [Path(file).name for file in files] == ["first.plan.yaml", "first-2.plan.yaml"]
