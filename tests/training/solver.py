"""Solves exercises by the public diagnosis alone."""

from __future__ import annotations

from busprobe.cli.train_words import line_settings
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.examine import Examination, Expected, examine
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import open_simulated
from busprobe_sim.training import Assignment, Claim


def solve(assignment: Assignment) -> Examination:
    """Do the whole job on its bus; of the exercise only plan and papers are used."""

    async def open_job(words: tuple[str, ...]) -> Job:
        endpoint = parse_link("+".join((assignment.link, *words)))
        # The settings of the adapter are those it is opened with, whatever the bus talks.
        link, bus = open_simulated(endpoint, LineSettings(), "virtual")
        return Job(OpenedLink(link, bus.hands), endpoint, lambda event: None)

    exercise = assignment.exercise
    plan = [Expected(p.name, p.address, p.meter, p.feeder) for p in exercise.plan]
    work = examine(open_job, plan, line_settings(exercise.planned_settings))
    result = run_virtual(work)
    assert isinstance(result, Examination)
    return result


def claims_of(done: Examination) -> tuple[Claim, ...]:
    """What the diagnosis would answer."""
    return tuple(
        Claim(t.finding.code, t.finding.address, frozenset(t.inputs)) for t in done.causes()
    )
