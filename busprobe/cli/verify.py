"""`busprobe verify`: is the site as it was planned?"""

from __future__ import annotations

import asyncio
import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click

from busprobe.cli import diagnostics, output, words
from busprobe.cli.bench_parts import check_part
from busprobe.cli.call import Call, Traffic, guarded, outside
from busprobe.cli.convert import link_part
from busprobe.cli.documents import LinkPart
from busprobe.cli.documents_base import EvidencePart
from busprobe.cli.documents_handover import PlanPart, VerifyResult
from busprobe.cli.hands import ConsoleOperator, SimulatedOperator, console_is_there
from busprobe.cli.keeping import recorder_for, tell_trouble
from busprobe.cli.options import json_option, record_options
from busprobe.cli.running import files_of, teller
from busprobe.diagnosis.catalogue import CAUTION_LOAD
from busprobe.diagnosis.wiring import KnownLoad
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.errors import InputError, LinkError
from busprobe.model.finding import Finding, Severity
from busprobe.procedures.operator import Operator
from busprobe.recording.replaying import kind_behind
from busprobe.session.handover import hour_of
from busprobe.session.job import Job
from busprobe.session.verification import Verification, VerifyOptions
from busprobe.session.verify_line import LineVerification
from busprobe.site.items import Group
from busprobe.site.plan import LoadedPlan, SitePlan, load_plan, relinked
from busprobe.site.plan_parts import LinkPart as PlannedLink
from busprobe.site.state import StateFile, Visit, VisitPart, merged, save_state, state_for

_SIGNS = {
    CheckOutcome.PASS: "✔",
    CheckOutcome.FAIL: "✘",
    CheckOutcome.NOT_TESTED: "?",
    CheckOutcome.NOT_APPLICABLE: "-",
}


def _groups(ctx: click.Context, param: click.Parameter, value: str | None) -> frozenset[Group]:
    if value is None:
        return frozenset(Group)
    names = [part.strip() for part in value.split(",")]
    unknown = [n for n in names if n not in set(Group)]
    if unknown:
        raise click.BadParameter(f"'{unknown[0]}' is none of {', '.join(Group)}.")
    return frozenset(Group(n) for n in names)


@click.command("verify")
@click.argument("plan_file", metavar="PLAN", type=click.Path(path_type=Path))
@click.option(
    "--only",
    "groups",
    callback=_groups,
    metavar="LIST",
    help=f"Only these checks, separated by commas: {', '.join(Group)}.",
)
@click.option("--load", type=click.FloatRange(1, 1e6), help="Power of a known load [W].")
@click.option(
    "--load-tolerance",
    type=click.FloatRange(0.1, 100),
    default=10.0,
    show_default=True,
    help="How well it is known [%].",
)
@click.option(
    "--state",
    "state_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Keep every check in this file, and go on from it.",
)
@click.option("--as-left", is_flag=True, help="The site as it is left; else as it was found.")
@click.option("--quick", is_flag=True, help="Ask only the planned addresses.")
@click.option("--insist", is_flag=True, help="Search although another master is heard.")
@click.option(
    "--watch",
    "watch_s",
    type=click.FloatRange(10, 86_400),
    default=120.0,
    show_default=True,
    help="How long the meters are read for the balance [s].",
)
@click.option(
    "--link",
    "links",
    multiple=True,
    metavar="[NAME=]LINK",
    help="Reach the line NAME of the plan by another link; may be repeated.",
)
@record_options
@json_option
@click.pass_context
def command(
    ctx: click.Context,
    plan_file: Path,
    groups: frozenset[Group],
    load: float | None,
    load_tolerance: float,
    state_file: Path | None,
    as_left: bool,
    quick: bool,
    insist: bool,
    watch_s: float,
    links: tuple[str, ...],
    as_json: bool,
) -> None:
    """Hold a site against its plan: PASS, FAIL, NOT TESTED or NOT APPLICABLE, with evidence.

    Only read requests are sent. With --state a run that was stopped goes on where it was, and
    checks that were not tested are tried again; --as-left keeps what was found before beside what
    is left. The wiring is tested only with --load, a load that somebody switches on each phase.
    """
    call = Call.begin("verify", as_json)

    def run() -> int:
        loaded = load_plan(plan_file)
        plan = relinked(loaded.plan, links)
        for line in loaded.advice:
            diagnostics.say(f"advice: {line}")
        visit: Visit = "as-left" if as_left else "as-found"
        keeper = _Keeper(state_for(loaded, state_file), state_file, visit)
        known = None if load is None else KnownLoad(load, load_tolerance / 100)
        options = VerifyOptions(groups, known, quick, insist, watch_s)
        site = Site(ctx, call, plan, keeper, options)
        return site.finish(loaded, asyncio.run(site.run()))

    ctx.exit(guarded(call, run))


def _now() -> str:
    return datetime.datetime.now().astimezone().isoformat("T", "seconds")


@dataclass
class _Keeper:
    """Keeps the state file up to date."""

    state: StateFile
    file: Path | None
    which: Visit

    def __post_init__(self) -> None:
        self.visit = self.state.visit(self.which) or VisitPart(started=_now(), changed=_now())

    def keep(
        self, verification: Verification, findings: Sequence[Finding], *, complete: bool = False
    ) -> None:
        """Write how far it has come."""
        self.visit = self.visit.model_copy(
            update={
                "changed": _now(),
                "complete": complete,
                "checks": verification.checks,
                "findings": merged(self.visit.findings, tuple(findings)),
                "settings": {name: dict(its) for name, its in verification.settings.items()},
            }
        )
        self.state = self.state.with_visit(self.which, self.visit)
        if self.file is not None:
            save_state(self.file, self.state)


@dataclass
class Site:
    """One call of `verify`."""

    ctx: click.Context
    call: Call
    plan: SitePlan
    keeper: _Keeper
    options: VerifyOptions

    def __post_init__(self) -> None:
        before = self.keeper.visit
        self.verification = Verification(
            self.plan,
            self.options,
            self._checked,
            {(c.name, c.subject): c for c in before.checks},
            {name: dict(its) for name, its in before.settings.items()},
            kinds={link.name: kind_behind(link.endpoint) for link in self.plan.links},
        )
        self.jobs: list[Job] = []
        self.used: LinkPart | None = None
        self.bus_time_s = 0.0
        self.lost = False

    def _checked(self, made: Check) -> None:
        # Kept before it is shown: whatever was on the screen survives.
        self.keeper.keep(self.verification, self._findings())
        if not self.call.as_json:
            diagnostics.progress_done()
            diagnostics.say(
                f"  {_SIGNS[made.outcome]} {made.outcome.value}  {made.subject}: {made.title}"
            )

    def _findings(self) -> list[Finding]:
        return [
            *self.verification.findings,
            *(f for job in self.jobs for f in job.findings.values()),
        ]

    async def run(self) -> Traffic:
        """Go through all lines; one that cannot be used does not end the run."""
        verification = self.verification
        verification.by_plan_alone()
        for link in self.plan.links:
            if not verification.pending(*Group, link=link.name):
                continue
            try:
                await self._line(link)
            except LinkError as error:
                self.lost = True
                diagnostics.progress_done()
                diagnostics.error(error)
                verification.give_up(link, f"the link could not be used: {error.cause}")
        complete = verification.complete and not self.lost
        self.keeper.keep(verification, self._findings(), complete=complete)
        exchanges = sum(len(job.exchanges) for job in self.jobs)
        used = self.used if len(self.plan.links) == 1 else None
        recordings = tuple(file for job in self.jobs for file in files_of(job))
        return Traffic(used, round(self.bus_time_s, 6), exchanges, recordings)

    async def _line(self, link: PlannedLink) -> None:
        endpoint = link.endpoint
        opened = await outside(self.ctx).open_link(endpoint, link.line_settings)
        part = link.name if len(self.plan.links) > 1 else ""
        recorder = recorder_for(self.ctx, opened.link, part)
        job = Job(opened, endpoint, teller(self.call.as_json), recorder=recorder)
        self.jobs.append(job)
        try:
            _know_profiles(job, self.plan)
            operator: Operator | None = None
            if self.options.load is not None:
                if job.hands is not None:
                    operator = SimulatedOperator(job.hands)
                elif console_is_there():
                    operator = ConsoleOperator()
                diagnostics.say(CAUTION_LOAD)
            self.verification.options = replace(self.options, local_hour=hour_of(job))
            await LineVerification(self.verification, job, link, operator).run()
        finally:
            self.used = link_part(job)
            self.bus_time_s += job.bus_time_s
            diagnostics.progress_done()
            await job.close()
            tell_trouble(recorder)

    def finish(self, loaded: LoadedPlan, traffic: Traffic) -> int:
        """Print the result; returns the exit status."""
        verification, visit = self.verification, self.keeper.visit
        result = VerifyResult(
            plan=PlanPart(file=loaded.file, sha256=loaded.sha256, site=self.plan.site.name),
            state=self.keeper.which,
            checks=[check_part(c) for c in verification.checks],
            complete=visit.complete,
        )
        if self.call.as_json:
            output.document(self.call.document(result, visit.findings, traffic))
        else:
            show(result, traffic)
            words.findings(visit.findings)
            if self.keeper.file is not None:
                diagnostics.say(f"Kept in {self.keeper.file}.")
        if self.lost:
            return diagnostics.ExitStatus.LINK
        failed = any(c.outcome is CheckOutcome.FAIL for c in verification.checks)
        faulty = any(f.severity is Severity.FAULT for f in visit.findings)
        return diagnostics.ExitStatus.FAULTS if failed or faulty else diagnostics.ExitStatus.CLEAN


def _know_profiles(job: Job, plan: SitePlan) -> None:
    """Every profile that a plan names must be there.

    Raises:
        InputError: One is not.
    """
    import difflib

    known = [p.name for p in job.profiles()]
    for device in plan.devices:
        if device.profile and device.profile not in known:
            near = difflib.get_close_matches(device.profile, known, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else f"There are {', '.join(known)}."
            raise InputError(
                f"{device.name} names the device profile '{device.profile}', which is not there.",
                hint,
            )


def show(result: VerifyResult, traffic: Traffic) -> None:
    """Print the checks, grouped by what they concern."""
    output.line()
    output.line(f"{result.plan.site}, {result.state.replace('-', ' ')}")
    subjects = dict.fromkeys(c.subject for c in result.checks)
    for subject in subjects:
        output.line()
        output.line(subject)
        reason = ""
        for made in (c for c in result.checks if c.subject == subject):
            outcome = CheckOutcome(made.outcome)
            output.line(f"  {_SIGNS[outcome]} {made.outcome:<14}  {made.title}")
            if outcome is CheckOutcome.FAIL:
                if made.planned:
                    words.paragraph("planned", made.planned)
                words.paragraph("found", made.found)
            if outcome in (CheckOutcome.FAIL, CheckOutcome.NOT_TESTED):
                told = [_worded(e) for e in made.evidence[:3]]
                # The same reason again and again is told once.
                if told != [reason]:
                    for text in told:
                        words.paragraph("because", text)
                reason = told[0] if outcome is CheckOutcome.NOT_TESTED and told else ""
    output.line()
    counts = [
        f"{sum(c.outcome == outcome.value for c in result.checks)} {outcome.value}"
        for outcome in CheckOutcome
    ]
    whole = "" if result.complete else "; not complete"
    output.line(
        f"{', '.join(counts)}{whole}; {traffic.exchanges} exchanges in {traffic.bus_time_s:.1f} s "
        "of bus time."
    )


def _worded(evidence: EvidencePart) -> str:
    where = "" if evidence.exchange is None else f"exchange {evidence.exchange}: "
    return where + evidence.text
