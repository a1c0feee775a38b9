"""Solves exercises by the public diagnosis alone."""

from __future__ import annotations

from pathlib import Path

import busprobe_sim.training
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session.examine import Examination
from busprobe.session.ports import OpenedLink
from busprobe.session.training import TrainingDesk
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import open_simulated
from busprobe_sim.training import Assignment, Claim


def solve(assignment: Assignment) -> Examination:
    """Do the whole job on its bus; of the exercise only plan and papers are used."""

    async def open_link(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        link, bus = open_simulated(endpoint, settings, "virtual")
        return OpenedLink(link, bus.hands)

    desk = TrainingDesk(busprobe_sim.training, open_link, Path())
    result = run_virtual(desk.examine(assignment))
    assert isinstance(result, Examination)
    return result


def claims_of(done: Examination) -> tuple[Claim, ...]:
    """What the diagnosis would answer."""
    return tuple(
        Claim(t.finding.code, t.finding.address, frozenset(t.inputs)) for t in done.causes()
    )
