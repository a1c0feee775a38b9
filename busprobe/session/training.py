"""The training desk: what both faces need to give out an exercise, grade it and explain it.

The exercises themselves come from the simulator, which the launcher hands in as a module
(`busprobe_sim.training`); nothing here knows the truth but the grader.
"""

from __future__ import annotations

import difflib
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from busprobe.diagnosis.catalogue import CATALOGUE
from busprobe.model.errors import InputError
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Finding
from busprobe.model.line import NS_PER_S, LineSettings, LinkKind, Parity, parse_link
from busprobe.recording.read import Recording, open_recording
from busprobe.session.events import Step
from busprobe.session.examine import Examination, Expected, Told, examine
from busprobe.session.job import Job
from busprobe.session.ports import OpenLink
from busprobe.session.stint import Stint
from busprobe.session.trainee import Answer, Attempt, Logbook, load_logbook, save_logbook

# Seeds are short enough to be read out in a class.
_SEEDS = 10_000
_MOST_LINES = 6


@dataclass(frozen=True, slots=True)
class Begun:
    """An exercise that was given out.

    Attributes:
        assignment: The exercise with its seed (`busprobe_sim.training.Assignment`).
        attempt: What the trainee did with it so far.
    """

    assignment: Any
    attempt: Attempt


@dataclass(frozen=True, slots=True)
class Shown:
    """How the evidence shows a cause.

    Attributes:
        command: The command that shows it.
        finding: What it says.
        evidence: What that rests on, the first few lines.
        in_recording: The trainee's own recording that holds the finding, or None.
        step: The step of the job that shows it.
        exchanges: Those that the evidence names.
    """

    command: str
    finding: Finding
    evidence: tuple[str, ...]
    in_recording: str | None
    step: Step
    exchanges: tuple[Exchange, ...]


@dataclass(frozen=True, slots=True)
class Explanation:
    """What the evidence says of an answer that was not wholly right.

    Attributes:
        missed: How each cause that was not found in full shows itself, by its number in the grade.
        against: What the same bus says where a cause was stated that is not there, by its number
            among the wrong ones; left out where it says nothing of that place.
    """

    missed: Mapping[int, Shown]
    against: Mapping[int, Shown]


@dataclass(frozen=True, slots=True)
class Graded:
    """A graded answer.

    Attributes:
        begun: The exercise.
        grade: The grade (`busprobe_sim.training.Grade`).
        counts: Whether it is the first answer to this exercise and seed.
        courses: What was done on the bus.
    """

    begun: Begun
    grade: Any
    counts: bool
    courses: tuple[Any, ...]


class TrainingDesk:
    """Gives out exercises, keeps what a trainee did, grades and explains.

    Args:
        exercises: The module `busprobe_sim.training`.
        open_link: Opens simulated links; in virtual time an explanation takes seconds.
        state: The trainee's file.
        trainee: Their name, None to leave it as it stands in the file.
    """

    def __init__(
        self, exercises: Any, open_link: OpenLink, state: Path, trainee: str | None = None
    ) -> None:
        self._exercises = exercises
        self._open_link = open_link
        self._state = state
        self._trainee = trainee

    def list(self) -> list[tuple[Any, float | None]]:
        """Every shipped exercise with the best first score so far.

        Raises:
            InputError: An exercise, or the trainee's file, is wrong.
        """
        book = load_logbook(self._state)
        return [(e, book.best(e.name)) for e in self._exercises.list_exercises()]

    def begin(
        self, name: str, seed: int | None = None, *, now: datetime, hint: int | None = None
    ) -> Begun:
        """Give out an exercise, or go on with one that was begun and not answered.

        Args:
            name: Its name, ``random-LEVEL``, ``NAME@SEED``, or the path of a file.
            seed: The seed; drawn where none is given and none was begun.
            now: Wall clock.
            hint: Number of a hint to take, from 1.

        Raises:
            InputError: No such exercise or hint, or the file is wrong.
        """
        book = load_logbook(self._state)
        begun = self._find(book, name, seed, now, answering=False)
        if hint is not None:
            _take_hint(begun, hint)
        self._save(book)
        return begun

    def answer(
        self,
        name: str,
        seed: int | None,
        text: str,
        *,
        now: datetime,
        recordings: Sequence[Path] = (),
        courses: Sequence[Any] = (),
        all_known: bool = False,
    ) -> Graded:
        """Grade an answer and keep it.

        Args:
            name: As for `begin`.
            seed: The seed; that of the latest attempt where none is given.
            text: Causes as "duplicate-address@1, ct-reversed@2/L3", or "none".
            now: Wall clock.
            recordings: What was done on the bus, as files.
            courses: What was done on the bus, out of live jobs (`course_of_job`).
            all_known: Whether recordings and courses are everything that was done.

        Raises:
            InputError: The answer or a recording cannot be taken; nothing is kept then.
        """
        book = load_logbook(self._state)
        begun = self._find(book, name, seed, now, answering=True)
        claims = self._exercises.parse_answer(text)
        _refuse_unknown_codes(claims)
        done = (*courses, *(self._course_of(f, begun) for f in dict.fromkeys(recordings)))
        grade = self._exercises.grade_answer(
            begun.assignment, claims, done, begun.attempt.hints, all_known=all_known
        )
        counts = not begun.attempt.answers
        begun.attempt.answers.append(
            Answer(
                at=now.isoformat("T", "seconds"),
                text=", ".join(str(c) for c in claims) or "none",
                score=grade.score,
                word=grade.word,
                found=sum(c.verdict == "found" for c in grade.causes),
                causes=len(grade.causes),
                wrong=len(grade.wrong),
                bus_time_s=grade.bus_time_s,
                conduct_points=grade.conduct_points,
                hint_points=grade.hint_points,
            )
        )
        self._save(book)
        return Graded(begun, grade, counts, done)

    async def explain(self, graded: Graded, recordings: Sequence[Path] = ()) -> Explanation:
        """Show what was not right, by the public diagnosis on the same bus.

        Args:
            graded: The answer.
            recordings: The trainee's own, to say which of them holds the finding already.

        Returns:
            What was missed and what was wrong; a cause that the evidence does not show is left out.
        """
        missed = [(n, c) for n, c in enumerate(graded.grade.causes) if c.verdict != "found"]
        if not missed and not graded.grade.wrong:
            return Explanation({}, {})
        assignment = graded.begun.assignment
        done = await self.examine(assignment)
        own = {file.name: _findings(file) for file in recordings}
        shown = {}
        for number, cause in missed:
            told = best_match(done, cause.cause)
            if told is not None:
                shown[number] = _shown(told, assignment.link, own)
        against = {}
        for number, claim in enumerate(graded.grade.wrong):
            told = _what_is_said_of(done, claim)
            if told is not None:
                against[number] = _shown(told, assignment.link, own)
        return Explanation(shown, against)

    async def examine(self, assignment: Any) -> Examination:
        """Do the whole job on the bus of an exercise, by plan and papers alone."""

        async def open_job(words: tuple[str, ...]) -> Job:
            endpoint = parse_link("+".join((assignment.link, *words)))
            # A serial port opens at some setting too, whatever the bus behind it talks.
            opened = await self._open_link(endpoint, LineSettings())
            return Job(opened, endpoint, lambda event: None)

        exercise = assignment.exercise
        plan = [
            Expected(p.name, p.address, p.meter, assignment.place_of(p), p.role)
            for p in exercise.plan
        ]
        return await examine(open_job, plan, planned_settings(assignment))

    def course_of_job(self, job: Job, name: str, began: float) -> Any:
        """What a live job did on the bus, for the grader.

        Args:
            job: The job.
            name: What to call it.
            began: When it began, in seconds of any clock that all courses share.
        """
        start_ns = job.bus.now() - round(job.bus_time_s * NS_PER_S)
        requests = tuple(
            self._exercises.Request(
                (e.request.t_start_ns - start_ns) / NS_PER_S, e.request.address, e.request.function
            )
            for e in job.exchanges
        )
        words = self._exercises.split_reference(job.endpoint.target)[2]
        return self._exercises.Course(name, began, job.bus_time_s, requests, "alone" in words)

    def course_of_stint(self, stint: Stint, *, alone: bool) -> Any:
        """What one step of a live session did on the bus, for the grader.

        Args:
            stint: The step.
            alone: Whether the other master was unplugged meanwhile.
        """
        requests = tuple(
            self._exercises.Request(
                (e.request.t_start_ns - stint.start_ns) / NS_PER_S,
                e.request.address,
                e.request.function,
            )
            for e in stint.exchanges
        )
        duration_s = (stint.end_ns - stint.start_ns) / NS_PER_S
        return self._exercises.Course(
            stint.name, stint.start_ns / NS_PER_S, duration_s, requests, alone
        )

    def name_trainee(self, name: str) -> None:
        """Keep the trainee's name with what they do.

        Raises:
            InputError: The file is wrong or cannot be written.
        """
        self._trainee = name
        self._save(load_logbook(self._state))

    def logbook(self) -> Logbook:
        """Everything the trainee did so far.

        Raises:
            InputError: The file is wrong.
        """
        return load_logbook(self._state)

    def _find(
        self, book: Logbook, reference: str, seed: int | None, now: datetime, *, answering: bool
    ) -> Begun:
        name, stated, words = self._exercises.split_reference(reference)
        if words:
            raise InputError(
                f"'+{words[0]}' belongs to the link, not to the exercise.",
                f"Write {name}@{stated}.",
            )
        if stated is not None and seed not in (None, stated):
            raise InputError("Two seeds were given.", f"Write {name}@{seed}.")
        seed = seed if stated is None else stated
        if seed is None:
            before = book.open_attempt(name) or (book.latest(name) if answering else None)
            if before is None and answering:
                raise InputError(
                    f"'{name}' was not begun, so nobody knows which case of it this answers.",
                    f"Begin it with 'busprobe train {name}', or write {name}@SEED.",
                )
            seed = before.seed if before is not None else 1 + secrets.randbelow(_SEEDS)
        assignment = self._exercises.assign(name, seed)
        exercise = assignment.exercise
        attempt = book.attempt(name, seed, exercise.title, exercise.level, now)
        return Begun(assignment, attempt)

    def _save(self, book: Logbook) -> None:
        if self._trainee is not None:
            book.trainee = self._trainee
        save_logbook(self._state, book)

    def _course_of(self, file: Path, begun: Begun) -> Any:
        with open_recording(file) as recording:
            alone = self._check_bus(file, recording, begun.assignment)
            head = recording.head
            exchanges = list(recording.exchanges())
            ends = [
                *(e.t_ns + e.listened_ns for e in exchanges),
                *(c.t_ns for c in recording.chunks()),
                *(e.t_ns for e in recording.events()),
            ]
        duration_ns = max(ends, default=head.started_t_ns) - head.started_t_ns
        requests = tuple(
            self._exercises.Request(
                (e.t_ns - head.started_t_ns) / NS_PER_S, e.address, e.request[0]
            )
            for e in exchanges
            if e.request
        )
        return self._exercises.Course(
            file.name, head.started.timestamp(), max(0, duration_ns) / NS_PER_S, requests, alone
        )

    def _check_bus(self, file: Path, recording: Recording, assignment: Any) -> bool:
        """Whether the other master was unplugged; on a served bus that cannot be told."""
        if recording.head.kind is not LinkKind.SIMULATED:
            return False
        made_on = recording.head.endpoint
        name, seed, words = self._exercises.split_reference(made_on.removeprefix("sim:"))
        if (name, seed) != (assignment.name, assignment.seed):
            raise InputError(
                f"{file.name} was made on {made_on}, not on {assignment.link}.",
                "Give the recordings of this exercise and seed.",
            )
        return "alone" in words


def planned_settings(assignment: Any) -> LineSettings:
    """Line settings by the papers, which say "9600 8N1"."""
    baud, form = assignment.exercise.planned_settings.split()
    return LineSettings(int(baud), Parity(form[1]), int(form[2]))


def _take_hint(begun: Begun, number: int) -> None:
    count = len(begun.assignment.exercise.hints)
    if number > count:
        raise InputError(
            f"This exercise has {count} hint{'' if count == 1 else 's'}.",
            "Take a lower number." if count else "Find it without one.",
        )
    begun.attempt.hints = sorted({*begun.attempt.hints, number})


def _refuse_unknown_codes(claims: Sequence[Any]) -> None:
    for claim in claims:
        if claim.code not in CATALOGUE:
            near = difflib.get_close_matches(claim.code, CATALOGUE, n=3, cutoff=0.4)
            hint = f"Did you mean {' or '.join(near)}?" if near else "See docs/training.md."
            raise InputError(f"'{claim.code}' is no code of a finding.", hint)


def best_match(done: Examination, cause: Any) -> Told | None:
    """What an examination told about a cause: by its code, what counts as much, an open question.

    None where the evidence does not show it.
    """
    here = [t for t in done.told if t.finding.address == cause.address]
    for code in (cause.code, *cause.accept):
        for told in here:
            if told.finding.code == code:
                return told
    return next((t for t in here if t.open_question), None)


def _what_is_said_of(done: Examination, claim: Any) -> Told | None:
    """What the evidence says of the place of a claim that is not so; a fault goes first."""
    here = [t for t in done.told if t.finding.address == claim.address]
    stated = [t for t in here if t.finding.code == claim.code]
    faults = [t for t in here if t.is_cause]
    right = [t for t in here if t.finding.code.endswith("-correct")]
    return next(iter((*stated, *faults, *right)), None)


def _findings(file: Path) -> tuple[Finding, ...]:
    with open_recording(file) as recording:
        return recording.findings()


def _shown(told: Told, link: str, own: Mapping[str, tuple[Finding, ...]]) -> Shown:
    finding = told.finding
    holds = (
        name
        for name, findings in own.items()
        if any((f.code, f.address) == (finding.code, finding.address) for f in findings)
    )
    return Shown(
        f"busprobe {told.command.replace('LINK', link)}",
        finding,
        tuple(e.text for e in finding.evidence[:_MOST_LINES]),
        next(holds, None),
        told.step,
        told.exchanges,
    )
