"""What a trainee did, out of recordings; and what was missed, shown by evidence."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from busprobe.cli.documents_training import ShownPart
from busprobe.cli.train_words import line_settings
from busprobe.model.errors import InputError
from busprobe.model.finding import Finding
from busprobe.model.line import NS_PER_S, LineSettings, LinkKind, parse_link
from busprobe.recording.read import Recording, open_recording
from busprobe.session.examine import Examination, Expected, Told, examine
from busprobe.session.job import Job
from busprobe.session.ports import OpenLink

_MOST_LINES = 6


def courses_of(files: Sequence[Path], assignment: Any, training: Any) -> tuple[Any, ...]:
    """What was done on the bus, for the grader.

    Args:
        files: Recordings.
        assignment: The exercise they should be of.
        training: The exercises of the simulator.

    Raises:
        InputError: A file is no recording, or was made on another simulated bus.
    """
    found = []
    for file in dict.fromkeys(files):
        with open_recording(file) as recording:
            alone = _check_bus(file, recording, assignment, training)
            found.append(_course(file, recording, alone, training))
    return tuple(found)


def _check_bus(file: Path, recording: Recording, assignment: Any, training: Any) -> bool:
    """Whether the other master was unplugged; on a served bus that cannot be told."""
    if recording.head.kind is not LinkKind.SIMULATED:
        return False
    made_with = recording.head.endpoint
    name, seed, words = training.split_reference(made_with.removeprefix("sim:"))
    if (name, seed) != (assignment.name, assignment.seed):
        raise InputError(
            f"{file.name} was made on {made_with}, not on {assignment.link}.",
            "Give the recordings of this exercise and seed.",
        )
    return "alone" in words


def _course(file: Path, recording: Recording, alone: bool, training: Any) -> Any:
    head = recording.head
    exchanges = list(recording.exchanges())
    ends = [
        *(e.t_ns + e.listened_ns for e in exchanges),
        *(c.t_ns for c in recording.chunks()),
        *(e.t_ns for e in recording.events()),
    ]
    duration_ns = max(ends, default=head.started_t_ns) - head.started_t_ns
    return training.Course(
        file.name,
        head.started.timestamp(),
        max(0, duration_ns) / NS_PER_S,
        tuple(
            training.Request((e.t_ns - head.started_t_ns) / NS_PER_S, e.address, e.request[0])
            for e in exchanges
            if e.request
        ),
        alone,
    )


async def show_by_evidence(
    open_link: OpenLink, assignment: Any, causes: Sequence[Any], recordings: Sequence[Path]
) -> dict[int, ShownPart]:
    """How the public diagnosis shows the causes that were not found, by their number."""
    done = await examine_assignment(open_link, assignment)
    own = {file.name: _findings(file) for file in recordings}
    shown = {}
    for number, graded in enumerate(causes):
        if graded.verdict == "found":
            continue
        told = best_match(done, graded.cause)
        if told is not None:
            shown[number] = _shown(told, assignment.link, own)
    return shown


async def examine_assignment(open_link: OpenLink, assignment: Any) -> Examination:
    """Do the whole job on the bus of an exercise."""

    async def open_job(words: tuple[str, ...]) -> Job:
        endpoint = parse_link("+".join((assignment.link, *words)))
        opened = await open_link(endpoint, LineSettings())
        return Job(opened, endpoint, lambda event: None)

    exercise = assignment.exercise
    plan = [Expected(p.name, p.address, p.meter, p.feeder) for p in exercise.plan]
    return await examine(open_job, plan, line_settings(exercise.planned_settings))


def best_match(done: Examination, cause: Any) -> Told | None:
    """What the examination told about a cause: by its code, what counts as much, an open question.

    None where the evidence does not show it.
    """
    codes = (cause.code, *cause.accept)
    here = [t for t in done.told if t.finding.address == cause.address]
    for code in codes:
        for told in here:
            if told.finding.code == code:
                return told
    return next((t for t in here if t.open_question), None)


def _findings(file: Path) -> tuple[Finding, ...]:
    with open_recording(file) as recording:
        return recording.findings()


def _shown(told: Told, link: str, own: dict[str, tuple[Finding, ...]]) -> ShownPart:
    finding = told.finding
    holds = (
        name
        for name, findings in own.items()
        if any((f.code, f.address) == (finding.code, finding.address) for f in findings)
    )
    return ShownPart(
        command=f"busprobe {told.command.replace('LINK', link)}",
        summary=finding.summary,
        cause=finding.cause,
        evidence=[e.text for e in finding.evidence[:_MOST_LINES]],
        in_recording=next(holds, None),
    )
