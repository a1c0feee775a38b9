"""Training at the screen: one exercise at a time, on the session's own bus.

What the trainee does on the bus is taken from the session, step by step, so that nothing has to be
recorded by hand. The explanation is worked out on a thread of its own: the same bus is examined
once more, in virtual time, while the marks are already on the screen.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busprobe.model.errors import BusprobeError, InputError

if TYPE_CHECKING:
    from busprobe.session.session import Session
    from busprobe.session.stint import Stint
    from busprobe.session.trainee import Attempt, Logbook
    from busprobe.session.training import Explanation, Graded, TrainingDesk

LEVELS = (1, 2, 3, 4, 5)
_DRAWN = "random-{level}"


@dataclass(frozen=True, slots=True)
class Card:
    """An exercise in the list.

    Attributes:
        name: Its name; "random-3" for one that is drawn.
        title: One line.
        level: 1 (one plain fault) to 5.
        story: The complaint.
        cases: How many things may lie behind it; 0 where nobody knows.
        best: The best first answer so far, 0..100, or None.
        open_seed: Seed of one that was begun and not answered, or None.
    """

    name: str
    title: str
    level: int
    story: str
    cases: int
    best: float | None
    open_seed: int | None

    @property
    def drawn(self) -> bool:
        """Whether it is drawn anew each time."""
        return self.cases == 0


@dataclass(frozen=True, slots=True)
class Paper:
    """A device as the papers have it.

    Attributes:
        name: Its name.
        address: The address it should have.
        meter: Whether its wiring is part of the job.
        role: What it is said to measure, or "".
        socket: Feeder where the heater must be plugged for it, "" for the usual socket.
        note: What the papers say besides.
    """

    name: str
    address: int
    meter: bool
    role: str
    socket: str
    note: str


@dataclass(frozen=True, slots=True)
class Hint:
    """Help at a price.

    Attributes:
        number: From 1.
        price: Points it costs.
        text: What it says; None until it was taken.
    """

    number: int
    price: float
    text: str | None


@dataclass(frozen=True, slots=True)
class Given:
    """An exercise that was given out: everything that a trainee may know of it.

    Attributes:
        name: Its name.
        seed: Which case of it.
        title: One line.
        level: 1 to 5.
        story: The complaint.
        settings: Line settings by the papers.
        papers: The devices that should be there.
        hints: All hints.
        par_s: Bus time that is enough [s].
        link: The LINK argument of its bus.
        answered: How many answers were given before.
    """

    name: str
    seed: int
    title: str
    level: int
    story: str
    settings: str
    papers: tuple[Paper, ...]
    hints: tuple[Hint, ...]
    par_s: float
    link: str
    answered: int

    @property
    def hint_points(self) -> float:
        """What the hints cost so far."""
        return sum(hint.price for hint in self.hints if hint.text is not None)

    @property
    def sockets(self) -> tuple[str, ...]:
        """Feeders to which the heater may be carried, beside the usual socket."""
        return tuple(dict.fromkeys(p.socket for p in self.papers if p.socket))


@dataclass(frozen=True, slots=True)
class Standing:
    """How things stand in the exercise.

    Attributes:
        used_s: Bus time used [s]; time in which nothing runs is not counted.
        requests: Requests made.
        alone: Whether another master is unplugged.
        socket: Where the heater is plugged, "" for the usual socket.
        speed: Line seconds per second.
    """

    used_s: float
    requests: int
    alone: bool
    socket: str
    speed: float


@dataclass(frozen=True, slots=True)
class Row:
    """An answer in the table of results; see `trainee.Answer`."""

    exercise: str
    seed: int
    title: str
    level: int
    at: str
    number: int
    score: float
    word: str
    found: int
    causes: int
    wrong: int
    bus_time_s: float
    text: str


class TrainingRoom:
    """Gives out exercises on the session's bus, and marks them.

    Args:
        make_desk: Makes the desk; called when it is first needed, as exercises take time to load.
        session: The session on whose bus they are.
        now: Wall clock.
    """

    def __init__(
        self,
        make_desk: Callable[[], TrainingDesk],
        session: Session,
        now: Callable[[], datetime],
    ) -> None:
        self._make_desk = make_desk
        self._desk: TrainingDesk | None = None
        self._session = session
        self._now = now
        self._begun: Any = None
        self._courses: list[Any] = []
        self._used_s = 0.0
        self._requests = 0
        self._alone = False
        self._socket = ""
        self._speed = 1.0
        self._graded: Graded | None = None
        self._explanation: Explanation | None = None
        self._explaining: threading.Thread | None = None
        session.oversee(self._stint_over)

    @property
    def desk(self) -> TrainingDesk:
        """The desk."""
        if self._desk is None:
            self._desk = self._make_desk()
        return self._desk

    # Choosing ----------------------------------------------------------------------------------

    def cards(self) -> tuple[Card, ...]:
        """Every shipped exercise, the easiest first, then one to draw of every level.

        Raises:
            InputError: An exercise, or the trainee's file, is wrong.
        """
        book = self.desk.logbook()
        shipped = [
            Card(e.name, e.title, e.level, e.story, e.cases, best, _open_seed(book, e.name))
            for e, best in self.desk.list()
        ]
        return (*shipped, *(_drawn_card(book, level) for level in LEVELS))

    @property
    def trainee(self) -> str:
        """Name of the trainee, "" where none is known."""
        return self.desk.logbook().trainee

    def name_trainee(self, name: str) -> None:
        """Put the trainee's name into the results.

        Raises:
            InputError: The file cannot be written.
        """
        self.desk.name_trainee(name)

    def begin(self, name: str, seed: int | None = None) -> Given:
        """Give out an exercise and open its bus.

        Args:
            name: Its name, NAME@SEED, or the path of a file.
            seed: The seed; by lot where none is given and none was begun.

        Raises:
            InputError: No such exercise, or its file is wrong.
        """
        begun = self.desk.begin(name, seed, now=self._now())
        self._begun = begun
        self._courses, self._used_s, self._requests = [], 0.0, 0
        self._alone, self._socket = False, ""
        self._graded = self._explanation = None
        return _given(begun)

    def leave(self) -> None:
        """Leave the exercise; it can be begun again where it was not answered."""
        self._begun = self._graded = None
        self.set_speed(1.0)

    # Working -----------------------------------------------------------------------------------

    @property
    def given(self) -> Given | None:
        """The exercise that is being worked on, or None."""
        return None if self._begun is None else _given(self._begun)

    @property
    def standing(self) -> Standing:
        """How things stand."""
        used_s = self._used_s
        if self._begun is not None and self._graded is None:
            used_s += self._session.working_s
        return Standing(used_s, self._requests, self._alone, self._socket, self._speed)

    def take_hint(self, number: int) -> Given:
        """Take a hint at its price.

        Raises:
            InputError: No such hint.
        """
        assignment = self._assignment()
        self._begun = self.desk.begin(
            assignment.name, assignment.seed, now=self._now(), hint=number
        )
        return _given(self._begun)

    def unplug_master(self, alone: bool) -> None:
        """Have another master unplugged, or plugged in again."""
        self._alone = alone
        self._session.unplug_master(plugged=not alone)

    def carry_heater(self, socket: str) -> None:
        """Have the test heater carried to another feeder; "" for the usual socket."""
        self._socket = socket
        self._session.carry_heater(socket)

    def set_speed(self, speed: float) -> None:
        """Let the time of the line run faster; bus time counts as the line sees it."""
        self._speed = speed
        self._session.set_speed(speed)

    def _stint_over(self, stint: Stint) -> None:
        """Keep what a step did; runs on the session's thread."""
        if self._begun is None or self._graded is not None:
            return
        if stint.endpoint.argument != self._begun.assignment.link:
            return
        self._courses.append(self.desk.course_of_stint(stint, alone=self._alone))
        self._used_s += (stint.end_ns - stint.start_ns) / 1e9
        self._requests += len(stint.exchanges)

    def _assignment(self) -> Any:
        if self._begun is None:
            raise InputError("No exercise was begun.", "Choose one first.")
        return self._begun.assignment

    # Marks -------------------------------------------------------------------------------------

    def answer(self, text: str) -> Graded:
        """Mark an answer; the explanation follows (`explanation`).

        Args:
            text: Causes as "duplicate-address@1, ct-reversed@2/L3", or "none".

        Raises:
            InputError: It cannot be taken.
        """
        assignment = self._assignment()
        self._graded = graded = self.desk.answer(
            assignment.name,
            assignment.seed,
            text,
            now=self._now(),
            courses=tuple(self._courses),
            all_known=True,
        )
        self._explanation = None
        self._explaining = threading.Thread(
            target=self._explain, args=(graded,), name="busprobe-explain", daemon=True
        )
        self._explaining.start()
        return graded

    @property
    def graded(self) -> Graded | None:
        """The marks of the exercise, once it was answered."""
        return self._graded

    @property
    def explanation(self) -> Explanation | None:
        """What was missed, by evidence; None while it is being worked out."""
        return self._explanation

    def _explain(self, graded: Graded) -> None:
        from busprobe.session.training import Explanation

        try:
            explanation = asyncio.run(self.desk.explain(graded))
        except BusprobeError:
            # The marks stand without it.
            explanation = Explanation({}, {})
        if self._graded is graded:
            self._explanation = explanation

    # Results -----------------------------------------------------------------------------------

    def results(self) -> tuple[Row, ...]:
        """Every answer so far, the latest first.

        Raises:
            InputError: The trainee's file is wrong.
        """
        rows = [
            _row(attempt, number)
            for attempt in self.desk.logbook().attempts
            for number in range(1, len(attempt.answers) + 1)
        ]
        return tuple(sorted(rows, key=lambda row: row.at, reverse=True))

    def export(self, file: Path) -> int:
        """Write every answer as .csv or .json; returns how many there are.

        Raises:
            InputError: It cannot be written so.
        """
        from busprobe.session.trainee import export_answers

        return export_answers(file, [self.desk.logbook()])


def _open_seed(book: Logbook, name: str) -> int | None:
    attempt = book.open_attempt(name)
    return None if attempt is None else attempt.seed


def _drawn_card(book: Logbook, level: int) -> Card:
    name = _DRAWN.format(level=level)
    story = (
        "An exercise that nobody wrote: site, faults and complaint are drawn by lot. The same seed "
        "gives the same one on every computer, so that a class can be told one."
    )
    return Card(
        name, f"Drawn at level {level}", level, story, 0, book.best(name), _open_seed(book, name)
    )


def _given(begun: Any) -> Given:
    assignment, attempt = begun.assignment, begun.attempt
    exercise = assignment.exercise
    return Given(
        name=assignment.name,
        seed=assignment.seed,
        title=exercise.title,
        level=exercise.level,
        story=" ".join(exercise.story.split()),
        settings=exercise.planned_settings,
        papers=tuple(
            Paper(p.name, p.address, p.meter, p.role, p.feeder, p.note) for p in exercise.plan
        ),
        hints=tuple(
            Hint(number, hint.price, hint.text if number in attempt.hints else None)
            for number, hint in enumerate(exercise.hints, 1)
        ),
        par_s=exercise.conduct.par_s,
        link=assignment.link,
        answered=len(attempt.answers),
    )


def _row(attempt: Attempt, number: int) -> Row:
    answer = attempt.answers[number - 1]
    return Row(
        attempt.exercise, attempt.seed, attempt.title, attempt.level, answer.at, number,
        answer.score, answer.word, answer.found, answer.causes, answer.wrong, answer.bus_time_s,
        answer.text,
    )  # fmt: skip
