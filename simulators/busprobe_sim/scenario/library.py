"""The shipped scenarios, by name."""

from __future__ import annotations

from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import busprobe_sim
from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.resources import data_folder
from busprobe_sim.scenario.schema import ScenarioPart

_WHAT = "scenario"


@dataclass(frozen=True, slots=True)
class ScenarioSummary:
    """A shipped scenario.

    Attributes:
        name: Its name, as in ``sim:NAME``.
        title: One line.
        story: What the technician is told.
    """

    name: str
    title: str
    story: str


def scenario_folder() -> Path:
    """The folder of the shipped scenarios.

    Raises:
        InputError: It is missing.
    """
    top = Path(busprobe_sim.__file__).parent
    return data_folder(busprobe_sim.__file__, "scenarios", top.parent / "scenarios")


def scenario_names() -> tuple[str, ...]:
    """Names of the shipped scenarios."""
    return tuple(sorted(path.stem for path in scenario_folder().glob("*.yaml")))


def list_scenarios() -> tuple[ScenarioSummary, ...]:
    """The shipped scenarios.

    Raises:
        InputError: One of them is wrong.
    """
    found = []
    for name in scenario_names():
        part = read_scenario(name)
        found.append(ScenarioSummary(name, part.title, part.story.strip()))
    return tuple(found)


def read_scenario(name_or_path: str) -> ScenarioPart:
    """Read a scenario by the name of a shipped one, or from a file.

    Raises:
        InputError: No such scenario, or it is wrong.
    """
    path = _path(name_or_path)
    return load_yaml_model(path, ScenarioPart, name=path.name, what=_WHAT)


def _path(name_or_path: str) -> Path:
    path = Path(name_or_path)
    looks_like_file = path.suffix in (".yaml", ".yml") or path.name != name_or_path
    if looks_like_file:
        return path
    names = scenario_names()
    if name_or_path in names:
        return scenario_folder() / f"{name_or_path}.yaml"
    near = get_close_matches(name_or_path, names, n=3, cutoff=0.5)
    meant = f"Did you mean {' or '.join(near)}? " if near else ""
    raise InputError(
        f"There is no scenario '{visible(name_or_path)}'.",
        f"{meant}See 'busprobe simulate --list' for all, or give the path of a .yaml file.",
    )
