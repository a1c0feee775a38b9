"""What a trainee has done so far: exercises begun, hints taken, answers given.

One small JSON file, written as a whole; a trainer reads those of a class.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from busprobe.model.device_text import visible
from busprobe.model.errors import InputError

FORMAT: Literal["busprobe-training/1"] = "busprobe-training/1"
# A trainee's file holds some hundred answers; anything larger is no such file.
_LARGEST = 5_000_000


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", use_attribute_docstrings=True)


class Answer(_Part):
    """An answer that was given and graded."""

    at: str
    """ISO 8601 with offset."""
    text: str
    """As it was stated."""
    score: float = Field(ge=0, le=100)
    word: str
    """The grade in a word."""
    found: int
    """True causes that were found."""
    causes: int
    """True causes."""
    wrong: int
    """Causes that were stated and are not so."""
    bus_time_s: float
    conduct_points: float
    """Points off for needless disturbance."""
    hint_points: float
    """Points off for hints."""


class Attempt(_Part):
    """One exercise with one seed."""

    exercise: str
    seed: int
    title: str
    level: int
    started: str
    """ISO 8601 with offset."""
    hints: list[int] = Field(default_factory=list)
    """Numbers of the hints that were taken, from 1."""
    answers: list[Answer] = Field(default_factory=list)
    """In the order given; the first one counts."""


class Logbook(_Part):
    """Everything that one trainee did."""

    format: Literal["busprobe-training/1"] = FORMAT
    trainee: str = ""
    attempts: list[Attempt] = Field(default_factory=list)

    def open_attempt(self, exercise: str) -> Attempt | None:
        """The latest attempt at an exercise that is not answered yet."""
        for attempt in reversed(self.attempts):
            if attempt.exercise == exercise and not attempt.answers:
                return attempt
        return None

    def latest(self, exercise: str) -> Attempt | None:
        """The latest attempt at an exercise, answered or not."""
        return next((a for a in reversed(self.attempts) if a.exercise == exercise), None)

    def attempt(self, exercise: str, seed: int, title: str, level: int, now: datetime) -> Attempt:
        """The attempt at an exercise with a seed; begun now if it was not before."""
        for attempt in self.attempts:
            if (attempt.exercise, attempt.seed) == (exercise, seed):
                return attempt
        started = now.isoformat("T", "seconds")
        attempt = Attempt(exercise=exercise, seed=seed, title=title, level=level, started=started)
        self.attempts.append(attempt)
        return attempt

    def best(self, exercise: str) -> float | None:
        """The best first answer at an exercise, None before one was given."""
        scores = [a.answers[0].score for a in self.attempts if a.exercise == exercise and a.answers]
        return max(scores, default=None)


def default_file() -> Path:
    """Where the file lies unless told otherwise."""
    from platformdirs import user_data_path

    return user_data_path("busprobe", appauthor=False) / "training.json"


def load_logbook(path: Path) -> Logbook:
    """Read a trainee's file; an empty one where there is none yet.

    Raises:
        InputError: It cannot be read, or is no such file.
    """
    if not path.exists():
        return Logbook()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"{visible(str(path))} cannot be read: {error.strerror}.", "Choose another --state."
        ) from error
    try:
        if len(data) > _LARGEST:
            raise ValueError("too large")
        return Logbook.model_validate(json.loads(data))
    except (ValidationError, ValueError) as error:
        raise InputError(
            f"{visible(str(path))} is no file of a trainee, or it is damaged.",
            "Choose another --state, or move this file away.",
        ) from error


def save_logbook(path: Path, book: Logbook) -> None:
    """Write a trainee's file as a whole, or not at all.

    Raises:
        InputError: It cannot be written.
    """
    beside = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(book.model_dump_json(indent=1) + "\n", encoding="utf-8")
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise InputError(
            f"{visible(str(path))} cannot be written: {error.strerror}.", "Choose another --state."
        ) from error


def rows(books: Sequence[Logbook]) -> Iterator[dict[str, str | int | float]]:
    """One row per answer of a class, for an export."""
    for book in books:
        for attempt in book.attempts:
            for number, answer in enumerate(attempt.answers, 1):
                yield {
                    "trainee": book.trainee,
                    "exercise": attempt.exercise,
                    "seed": attempt.seed,
                    "title": attempt.title,
                    "level": attempt.level,
                    "started": attempt.started,
                    "answered": answer.at,
                    "answer_number": number,
                    "answer": answer.text,
                    "score": answer.score,
                    "grade": answer.word,
                    "causes_found": answer.found,
                    "causes": answer.causes,
                    "wrong_causes": answer.wrong,
                    "bus_time_s": answer.bus_time_s,
                    "conduct_points": answer.conduct_points,
                    "hints": len(attempt.hints),
                    "hint_points": answer.hint_points,
                }


COLUMNS = (
    "trainee",
    "exercise",
    "seed",
    "title",
    "level",
    "started",
    "answered",
    "answer_number",
    "answer",
    "score",
    "grade",
    "causes_found",
    "causes",
    "wrong_causes",
    "bus_time_s",
    "conduct_points",
    "hints",
    "hint_points",
)


def export_answers(file: Path, books: Sequence[Logbook]) -> int:
    """Write one row per answer as .csv or .json.

    Args:
        file: Where; its ending says the form.
        books: The trainees.

    Returns:
        How many answers were written.

    Raises:
        InputError: Another ending, or it cannot be written.
    """
    answers = list(rows(books))
    try:
        if file.suffix.lower() == ".json":
            document = {"format": FORMAT, "answers": answers}
            file.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
        elif file.suffix.lower() == ".csv":
            with file.open("w", encoding="utf-8", newline="") as out:
                writer = csv.DictWriter(out, COLUMNS)
                writer.writeheader()
                writer.writerows({k: _cell(v) for k, v in row.items()} for row in answers)
        else:
            raise InputError("An export is .csv or .json.", "Name the file so.")
    except OSError as error:
        raise InputError(
            f"The export cannot be written: {error.strerror}.", "Choose another folder."
        ) from error
    return len(answers)


def _cell(value: str | int | float) -> str | int | float:
    """A text that a spreadsheet would take for a formula is marked as text."""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + value
    return value
