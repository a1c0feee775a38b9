"""Handover at the screen: the open line against its plan, and the visit on paper."""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import Callable, Sequence
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.check import Check
from busprobe.model.errors import InputError, LinkError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.session.events import (
    CheckMade,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)

if TYPE_CHECKING:
    from busprobe.diagnosis.wiring import KnownLoad
    from busprobe.procedures.operator import Operator
    from busprobe.session.job import Job
    from busprobe.session.wishes import ReportWish
    from busprobe.session.workplace import Workplace
    from busprobe.site.plan import SitePlan
    from busprobe.site.plan_parts import LinkPart
    from busprobe.site.state import Visit

# Opens a line for as long as it is needed, with somebody to ask.
Beside = Callable[
    ["Endpoint", "LineSettings | None"], AbstractAsyncContextManager[tuple["Job", "Operator"]]
]
_REPORT_INTENT = "Writes a report from the recording of this visit. Nothing is sent."


@dataclass(frozen=True, slots=True)
class VerifyWish:
    """What is to be verified, and how.

    Attributes:
        plan_file: The plan.
        load: A load that somebody can switch; None leaves the wiring untested.
        as_left: The site as it is left (else as it was found).
        quick: Ask only the planned addresses.
        kept_in: Where every check is kept; beside the plan where None.
        groups: Names of the checks to make; all of them when empty.
        insist: Search although another master is heard.
        watch_s: How long the meters are read for the balance [s].
        links: Lines of the plan that are reached by another link, as NAME=LINK.
    """

    plan_file: Path
    load: KnownLoad | None = None
    as_left: bool = False
    quick: bool = False
    kept_in: Path | None = None
    groups: tuple[str, ...] = ()
    insist: bool = False
    watch_s: float = 120.0
    links: tuple[str, ...] = ()

    @property
    def state_file(self) -> Path:
        """Where every check is kept, so that a stopped verification goes on."""
        return self.kept_in or self.plan_file.with_name(self.plan_file.stem + ".checks.json")


async def verify_plan(
    job: Job, wish: VerifyWish, operator: Operator | None, beside: Beside
) -> None:
    """Make every check that the plan implies, line by line, and keep each at once.

    Args:
        job: The job on the open line, which is verified first.
        wish: What is to be verified, and how.
        operator: Who switches a load on the open line.
        beside: Opens the other lines of the plan for as long as they are verified.

    Raises:
        InputError: The plan cannot be read.
    """
    from busprobe.recording.replaying import kind_behind
    from busprobe.session.verification import Verification, VerifyOptions
    from busprobe.session.verify_line import LineVerification
    from busprobe.site import verify
    from busprobe.site.items import Group
    from busprobe.site.plan import load_plan, relinked
    from busprobe.site.state import VisitPart, merged, save_state, state_for

    loaded = load_plan(wish.plan_file)
    plan = relinked(loaded.plan, wish.links)
    here = planned_line(job, plan)
    state = state_for(loaded, wish.state_file)
    which: Visit = "as-left" if wish.as_left else "as-found"
    visit = state.visit(which) or VisitPart(started=_now(), changed=_now())

    def keep(_: Check | None, complete: bool = False) -> None:
        nonlocal state, visit
        found = (*verification.findings, *job.findings.values())
        visit = visit.model_copy(
            update={
                "changed": _now(),
                "complete": complete,
                "checks": verification.checks,
                "findings": merged(visit.findings, found),
                "settings": {name: dict(its) for name, its in verification.settings.items()},
            }
        )
        state = state.with_visit(which, visit)
        save_state(wish.state_file, state)

    groups = frozenset(map(Group, wish.groups)) or frozenset(Group)
    options = VerifyOptions(
        groups, wish.load, wish.quick, wish.insist, wish.watch_s, hour_of(job)
    )  # fmt: skip
    verification = Verification(
        plan,
        options,
        keep,
        {(c.name, c.subject): c for c in visit.checks},
        {name: dict(its) for name, its in visit.settings.items()},
        kinds={
            link.name: kind_behind(job.endpoint if link is here else link.endpoint)
            for link in plan.links
        },
    )
    verification.by_plan_alone()
    for made in verification.checks:
        job.emit(CheckMade(made))
    for finding in verification.findings:
        job.raise_finding(finding)
    if here is not None:
        await LineVerification(verification, job, here, operator if wish.load else None).run()
    for link in plan.links:
        if job.should_stop():
            break
        if link is here or not verification.pending(*Group, link=link.name):
            continue
        try:
            async with beside(link.endpoint, link.line_settings) as (other, there):
                verification.options = replace(options, local_hour=hour_of(other))
                line = LineVerification(verification, other, link, there if wish.load else None)
                await line.run()
        except LinkError as error:
            why = f"the link could not be used: {error.cause}"
            for item in verification.pending(*Group, link=link.name):
                verification.make(made := verify.not_tested(item, why))
                job.emit(CheckMade(made))
            job.emit(StepFinished(Step.HANDOVER, StepEnd.FAILED, f"{link.name}: {why}"))
    keep(None, verification.complete)


def planned_line(job: Workplace, plan: SitePlan) -> LinkPart | None:
    """The line of the plan that is open; the only one of a plan may be reached by another link."""
    fitting = [link for link in plan.links if link.endpoint == job.endpoint]
    if fitting:
        return fitting[0]
    return plan.links[0] if len(plan.links) == 1 else None


async def write_report(
    job: Workplace,
    wish: ReportWish,
    beside: Sequence[Path] = (),
    step: Step = Step.HANDOVER,
) -> None:
    """Write the visit down, as one page and as data, beside its recording.

    Args:
        job: The job on the open line.
        wish: What it is made from beside the recording, and as what it is written.
        beside: Recordings of the other lines of this visit.
        step: The step that it belongs to; only the handover is told as a step of its own.

    Raises:
        InputError: Nothing was recorded, or the report cannot be written.
    """
    if step is Step.HANDOVER:
        job.emit(StepStarted(step, _REPORT_INTENT))
    from busprobe.session.reporting import write_report_of

    recording = recording_of(job)
    done = await asyncio.to_thread(write_report_of, recording, wish, tuple(beside))
    job.emit(done)
    summary = f"Report: {done.conclusion}. {done.text} Written: {', '.join(done.files)}."
    if step is Step.HANDOVER:
        job.emit(StepFinished(step, StepEnd.DONE, summary))


def recording_of(job: Workplace) -> Path:
    """The recording of this visit, or the one that is replayed, with all that was kept so far.

    Raises:
        InputError: There is none.
    """
    if job.endpoint.kind is LinkKind.REPLAY:
        return Path(job.endpoint.target)
    if job.recorder is None:
        raise InputError(
            "This session is not recorded, so there is nothing to write from.",
            "Look with 'busprobe doctor' whether the folder of recordings can be written.",
        )
    job.recorder.flush()
    return job.recorder.path


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat("T", "seconds")


def hour_of(job: Workplace) -> Callable[[], float] | None:
    """Tells the hour of the day where the site is: now, or when it was recorded.

    None on a simulated site, whose sun has a time of its own.
    """
    past = job.opened.past
    if past is not None:
        return (lambda: past.hour(job.bus.now())) if past.of_this_world else None
    if job.endpoint.kind is LinkKind.SIMULATED:
        return None

    def hour() -> float:
        # Of the bus's clock, so that a replay tells the same.
        at = began + datetime.timedelta(seconds=job.bus_time_s)
        return at.hour + at.minute / 60

    began = datetime.datetime.now().astimezone() - datetime.timedelta(seconds=job.bus_time_s)
    return hour
