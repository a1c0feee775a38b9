"""Exercises by name, and what lies behind one of them for a given seed.

An exercise is called ``NAME@SEED``: the seed draws the case that lies behind the story, and the
course of everything by chance. ``random-LEVEL@SEED`` is drawn wholly. A few words may follow, each
behind a "+": ``NAME@SEED+alone`` has the other master unplugged, ``NAME@SEED+at-FEEDER`` has the
test heater plugged on another feeder.
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from pathlib import Path

from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe_sim.scenario.schema import ScenarioPart
from busprobe_sim.training.compose import training_folder
from busprobe_sim.training.draw import draw_exercise
from busprobe_sim.training.exercise import CasePart, ExercisePart, PlannedPart, build_scenario

_REFERENCE = re.compile(r"(?P<name>.+)@(?P<seed>\d{1,9})(?P<words>(\+[a-z0-9-]+)*)")
_RANDOM = re.compile(r"random-([1-5])")
ALONE = "alone"
_AT = "at-"


@dataclass(frozen=True, slots=True)
class ExerciseSummary:
    """A shipped exercise, as a trainee may know it.

    Attributes:
        name: Its name.
        title: One line.
        level: 1 to 5.
        story: The complaint.
        cases: How many things may lie behind it.
    """

    name: str
    title: str
    level: int
    story: str
    cases: int


@dataclass(frozen=True, slots=True)
class Assignment:
    """One exercise with one seed: what a trainee is given.

    Attributes:
        name: Name or file of the exercise.
        seed: The seed.
        exercise: Its file.
        case: What really lies behind it; for the grader alone.
    """

    name: str
    seed: int
    exercise: ExercisePart
    case: CasePart

    @property
    def reference(self) -> str:
        """How it is called: NAME@SEED."""
        return f"{self.name}@{self.seed}"

    @property
    def link(self) -> str:
        """The LINK argument that reaches its bus."""
        return f"sim:{self.reference}"

    @property
    def has_master(self) -> bool:
        """Whether another master polls on this bus."""
        return self.scenario().line.foreign_master is not None

    def place_of(self, planned: PlannedPart) -> str:
        """Word behind the link that has the test heater plugged where a meter of the plan sees it.

        Empty where the usual socket will do.
        """
        return _AT + _word(planned.feeder) if planned.feeder else ""

    def scenario(self, alone: bool = False, feeder: str | None = None) -> ScenarioPart:
        """The bus behind it.

        Args:
            alone: Without the other master.
            feeder: Where the test heater is plugged, if not where the scenario says.

        Raises:
            InputError: No such feeder.
        """
        part = build_scenario(self.exercise, self.case)
        if alone:
            part = part.model_copy(
                update={"line": part.line.model_copy(update={"foreign_master": None})}
            )
        if feeder is not None:
            points = {_word(p): p for p in part.site.points - {"grid"}}
            if feeder not in points:
                raise InputError(
                    f"There is no socket at '{visible(feeder)}'.",
                    f"Plug the heater at one of: {', '.join(sorted(points))}.",
                )
            part = part.model_copy(
                update={"site": part.site.model_copy(update={"socket": points[feeder]})}
            )
        return part


def _word(feeder: str) -> str:
    return feeder.lower().replace(" ", "-")


def exercise_names() -> tuple[str, ...]:
    """Names of the shipped exercises."""
    return tuple(sorted(path.stem for path in training_folder().glob("*.yaml")))


def list_exercises() -> tuple[ExerciseSummary, ...]:
    """The shipped exercises, the easiest first.

    Raises:
        InputError: One of them is wrong.
    """
    found = []
    for name in exercise_names():
        part = read_exercise(name)
        story = " ".join(part.story.split())
        found.append(ExerciseSummary(name, part.title, part.level, story, len(part.cases)))
    return tuple(sorted(found, key=lambda e: (e.level, e.name)))


def read_exercise(name_or_path: str) -> ExercisePart:
    """Read an exercise by the name of a shipped one, or from a file.

    Raises:
        InputError: No such exercise, or its file is wrong; says file, line and column.
    """
    path = Path(name_or_path)
    if not (path.suffix in (".yaml", ".yml") or path.name != name_or_path):
        names = exercise_names()
        if name_or_path not in names:
            near = get_close_matches(name_or_path, names, n=3, cutoff=0.4)
            hint = f"Did you mean {', '.join(near)}? " if near else ""
            raise InputError(
                f"There is no exercise '{visible(name_or_path)}'.",
                f"{hint}'busprobe train --list' names them all.",
            )
        return _shipped(name_or_path)
    return _loaded(path)


@cache
def _shipped(name: str) -> ExercisePart:
    return _loaded(training_folder() / f"{name}.yaml")


def _loaded(path: Path) -> ExercisePart:
    return load_yaml_model(path, ExercisePart, name=path.name, what="exercise")


def assign(name: str, seed: int) -> Assignment:
    """The exercise of a name, with the case that a seed draws.

    Raises:
        InputError: No such exercise, or its file is wrong.
    """
    drawn = _RANDOM.fullmatch(name)
    if drawn is not None:
        exercise = draw_exercise(int(drawn[1]), seed)
        return Assignment(name, seed, exercise, exercise.cases[0])
    exercise = read_exercise(name)
    case = random.Random(f"{exercise.title} {seed}").choice(exercise.cases)
    return Assignment(name, seed, exercise, case)


def seed_for(name: str, case: str) -> int:
    """The least seed from 1 that draws a case; for trainers and tests.

    Raises:
        InputError: No such exercise.
        KeyError: It has no such case.
    """
    if case not in {c.name for c in read_exercise(name).cases}:
        raise KeyError(case)
    seed = 1
    while assign(name, seed).case.name != case:
        seed += 1
    return seed


def split_reference(text: str) -> tuple[str, int | None, tuple[str, ...]]:
    """Name, seed (None where none is given) and further words of a reference."""
    match = _REFERENCE.fullmatch(text)
    if match is None:
        return text, None, ()
    words = tuple(word for word in match["words"].split("+") if word)
    return match["name"], int(match["seed"]), words


def names_exercise(target: str) -> bool:
    """Whether what stands behind ``sim:`` is an exercise, and no scenario."""
    name, seed, _ = split_reference(target)
    return seed is not None or name in exercise_names()


def exercise_scenario(target: str) -> tuple[ScenarioPart, int]:
    """Scenario and seed of what stands behind ``sim:``.

    Raises:
        InputError: No such exercise, or a word that is unknown.
    """
    name, seed, words = split_reference(target)
    assignment = assign(name, 1 if seed is None else seed)
    feeder = None
    for word in words:
        if word.startswith(_AT):
            feeder = word.removeprefix(_AT)
        elif word != ALONE:
            raise InputError(
                f"'+{visible(word)}' is nothing that can be said of an exercise.",
                f"Write +{ALONE} (other master unplugged) or +{_AT}FEEDER (heater plugged there).",
            )
    return assignment.scenario(ALONE in words, feeder), assignment.seed
