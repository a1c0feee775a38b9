"""A site plan that holds together, and how it is read from a file.

What it may say is `busprobe.site.plan_parts`, what it must not say `busprobe.site.plan_rules`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Self

from pydantic import ValidationError, model_validator
from pydantic_core import InitErrorDetails

from busprobe.model.errors import InputError
from busprobe.model.line import parse_link
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.site.plan_advice import advice
from busprobe.site.plan_parts import PlannedSite
from busprobe.site.plan_rules import Problem, contradictions

WHAT = "site plan"


class SitePlan(PlannedSite):
    """A site plan."""

    @model_validator(mode="after")
    def _does_not_contradict_itself(self) -> Self:
        _tell(contradictions(self), self)
        return self


class _ThoughtOver(SitePlan):
    """The same, refused for mere advice too: this is how advice gets its place in the file."""

    @model_validator(mode="after")
    def _needs_no_advice(self) -> Self:
        _tell(advice(self), self)
        return self


def _tell(problems: tuple[Problem, ...], plan: SitePlan) -> None:
    """Turn problems into errors that keep their place.

    Raises:
        ValidationError: There are any.
    """
    if not problems:
        return
    details = [
        InitErrorDetails(
            type="value_error", loc=p.place, input={}, ctx={"error": ValueError(p.text)}
        )
        for p in problems
    ]
    raise ValidationError.from_exception_data(type(plan).__name__, details)


@dataclass(frozen=True, slots=True)
class LoadedPlan:
    """A plan that was read from a file.

    Attributes:
        plan: The plan.
        file: Where it was read.
        sha256: Of the file, hexadecimal.
        advice: What is no contradiction but should be looked at; lines
            ``file:line:column: path: text``.
    """

    plan: SitePlan
    file: str
    sha256: str
    advice: tuple[str, ...]


def load_plan(path: Path) -> LoadedPlan:
    """Read a plan.

    Raises:
        InputError: It cannot be read or is wrong; one line ``file:line:column: path: message`` for
            every mistake.
    """
    plan = load_yaml_model(path, SitePlan, what=WHAT)
    told: tuple[str, ...] = ()
    try:
        load_yaml_model(path, _ThoughtOver, what=WHAT)
    except InputError as error:
        told = tuple(error.cause.splitlines())
    return LoadedPlan(plan, str(path), hashlib.sha256(path.read_bytes()).hexdigest(), told)


def check_plan_text(text: str, name: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Hold the text of a plan against the rules.

    Args:
        text: The text.
        name: What to call it.

    Returns:
        Mistakes, and advice where there are none; lines ``name:line:column: path: text``.
    """
    told: list[tuple[str, ...]] = []
    for kind in (SitePlan, _ThoughtOver):
        try:
            load_yaml_model(text, kind, name=name, what=WHAT)
        except InputError as error:
            told.append(tuple(error.cause.splitlines()))
            break
        told.append(())
    return told[0], told[-1] if not told[0] else ()


def plan_schema() -> dict[str, Any]:
    """JSON Schema of a plan file, for editors."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **SitePlan.model_json_schema(),
    }


def relinked(plan: SitePlan, links: Sequence[str]) -> SitePlan:
    """The plan with some of its lines reached by other links.

    Raises:
        InputError: No such line, or no such link.
    """
    names = [link.name for link in plan.links]
    for text in links:
        name, separator, target = text.partition("=")
        if not separator and len(names) == 1:
            name, target = names[0], text
        if name not in names:
            raise InputError(
                f"The plan has no line '{name}' (it has {', '.join(names)}).",
                "Write NAME=LINK.",
            )
        parse_link(target)
        lines = tuple(
            link.model_copy(update={"link": target}) if link.name == name else link
            for link in plan.links
        )
        plan = plan.model_copy(update={"links": lines})
    return plan
