"""An exercise file: a story, the plan as it is known, and the cases that may lie behind it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator
from pydantic_core import InitErrorDetails, PydanticCustomError

from busprobe_sim.scenario.schema import ScenarioPart
from busprobe_sim.scenario.schema_base import Address, NotNegative, Part, Positive, Settings
from busprobe_sim.training.compose import Location, compose, place_in_file

Code = Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
Input = Literal["L1", "L2", "L3"]


class PlannedPart(Part):
    """One device of the plan, as the customer's papers have it."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    """Its name."""
    address: Address
    """The address it should have."""
    meter: bool = True
    """Whether it is a meter whose wiring is part of the job."""
    role: Literal["", "grid", "generator", "hybrid", "battery", "load"] = ""
    """What the papers say that it measures; a balance is part of the job where two have a role."""
    feeder: str = ""
    """Where the test heater is plugged so that this meter sees it; "" for the usual socket."""
    note: Annotated[str, Field(max_length=80)] = ""
    """What the papers say besides."""


class CausePart(Part):
    """One cause that is really there."""

    code: Code
    """Code of the finding that tells it."""
    address: Address | None = None
    """Address it concerns."""
    inputs: tuple[Input, ...] = ()
    """Inputs of the meter it concerns."""
    accept: tuple[Code, ...] = ()
    """Codes that say as much as the bus alone can tell, and count in full."""
    text: Annotated[str, Field(min_length=1, max_length=200)]
    """What is wrong, in words."""


class HintPart(Part):
    """Help at a price."""

    price: Annotated[float, Field(ge=0, le=50)]
    """Points it costs."""
    text: Annotated[str, Field(min_length=1, max_length=400)]
    """What the trainee is told."""


class ConductPart(Part):
    """What a careful technician may do on this bus before it counts as needless."""

    par_s: Positive = 300.0
    """Bus time that is enough for the whole job [s]."""
    requests_beside_master: Annotated[int, Field(ge=0)] = 0
    """Requests that are allowed while another master polls."""
    listen_first_s: NotNegative = 1.0
    """Least time to listen before the first request [s]."""


class CasePart(Part):
    """One of the things that may lie behind the story."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
    """Name for the trainer; the trainee never sees it."""
    set: dict[str, Any] = Field(default_factory=dict)
    """What differs from the exercise's scenario; devices by their name."""
    truth: tuple[CausePart, ...] = ()
    """What is really wrong; empty when nothing is."""


class ExercisePart(Part):
    """A whole exercise file."""

    title: Annotated[str, Field(min_length=1, max_length=80)]
    """One line."""
    level: Annotated[int, Field(ge=1, le=5)]
    """1 for one plain fault, 5 for several that hide each other."""
    story: Annotated[str, Field(min_length=40)]
    """What the customer complains about."""
    plan: Annotated[tuple[PlannedPart, ...], Field(min_length=1)]
    """The devices that should be there."""
    planned_settings: Settings = "9600 8N1"
    """Line settings by the papers."""
    scenario: dict[str, Any]
    """The bus, as in a scenario file; `from` names a site or a scenario to begin with."""
    hints: tuple[HintPart, ...] = ()
    """Help, the gentlest first."""
    conduct: ConductPart = ConductPart()
    """What counts as needless."""
    cases: Annotated[tuple[CasePart, ...], Field(min_length=2)]
    """What may lie behind it: at least two, so that the story alone decides nothing."""

    @model_validator(mode="after")
    def _cases_hold_together(self) -> ExercisePart:
        mistakes = [*_alike(self.cases), *_broken(self)]
        if mistakes:
            raise ValidationError.from_exception_data("exercise", mistakes)
        return self


def _mistake(location: Location, text: str, given: object) -> InitErrorDetails:
    # Braces would be taken for places to fill in.
    kind = PydanticCustomError("exercise", text.replace("{", "(").replace("}", ")"))
    return InitErrorDetails(type=kind, loc=location, input=given)


def truth_key(causes: tuple[CausePart, ...]) -> frozenset[tuple[object, ...]]:
    """What makes two truths different for whoever has to state them."""
    return frozenset((c.code, c.address, frozenset(c.inputs)) for c in causes)


def _alike(cases: tuple[CasePart, ...]) -> list[InitErrorDetails]:
    found = []
    names: set[str] = set()
    for number, case in enumerate(cases):
        if case.name in names:
            found.append(
                _mistake(("cases", number, "name"), "names two cases", {"name": case.name})
            )
        names.add(case.name)
    if len({truth_key(case.truth) for case in cases}) < 2:
        text = "have one and the same truth: the story alone would give the answer"
        found.append(_mistake(("cases",), text, {}))
    return found


def _broken(exercise: ExercisePart) -> list[InitErrorDetails]:
    found: list[InitErrorDetails] = []
    try:
        compose(exercise.scenario, {})
    except ValueError as error:
        place: Location = ("scenario", "from") if "'from'" in str(error) else ("scenario",)
        return [_mistake(place, str(error), {})]
    for number, case in enumerate(exercise.cases):
        try:
            build_scenario(exercise, case)
        except ValidationError as error:
            for detail in error.errors():
                place = place_in_file(detail["loc"], exercise.scenario, case.set, number)
                text = detail["msg"].removeprefix("Value error, ")
                text = text[:1].lower() + text[1:]
                found.append(_mistake(place, f"{text} (case '{case.name}')", {}))
        except ValueError as error:
            place = ("cases", number, "set") if case.set else ("cases", number)
            found.append(_mistake(place, str(error), {}))
    return found


def build_scenario(exercise: ExercisePart, case: CasePart) -> ScenarioPart:
    """The scenario of one case.

    Raises:
        ValueError: It does not fit together (a pydantic `ValidationError` for wrong values).
    """
    merged = compose(exercise.scenario, case.set)
    merged |= {
        "title": exercise.title,
        "story": exercise.story,
        "truth": [{"code": c.code, "address": c.address, "text": c.text} for c in case.truth],
    }
    return ScenarioPart.model_validate(merged)
