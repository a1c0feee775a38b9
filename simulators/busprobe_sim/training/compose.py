"""Puts a scenario together: a site to begin with, what the exercise says, what a case changes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import busprobe_sim
from busprobe.profiles.yaml_source import load_yaml_model
from busprobe.resources import data_folder
from busprobe_sim.scenario.library import read_scenario, scenario_names
from busprobe_sim.scenario.schema import ScenarioPart

Location = tuple[int | str, ...]

_KEPT = frozenset({"line", "devices", "site", "schedule", "seed"})


def training_folder() -> Path:
    """The folder of the shipped exercises.

    Raises:
        InputError: It is missing.
    """
    top = Path(busprobe_sim.__file__).parent
    return data_folder(busprobe_sim.__file__, "training_exercises", top.parent / "training")


def site_names() -> tuple[str, ...]:
    """Names of the sites that exercises begin with."""
    return tuple(sorted(path.stem for path in (training_folder() / "sites").glob("*.yaml")))


_SITES: dict[str, ScenarioPart] = {}


def site(name: str) -> ScenarioPart:
    """A site by name, or a shipped scenario.

    Raises:
        ValueError: No such site.
        InputError: It is wrong.
    """
    if name not in _SITES:
        if name in site_names():
            path = training_folder() / "sites" / f"{name}.yaml"
            _SITES[name] = load_yaml_model(path, ScenarioPart, name=path.name, what="site")
        elif name in scenario_names():
            _SITES[name] = read_scenario(name)
        else:
            known = ", ".join((*site_names(), *scenario_names()))
            raise ValueError(f"'from' names no site; there are {known}")
    return _SITES[name]


def compose(scenario: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """A scenario as plain data.

    Mappings are merged, everything else is replaced. Devices are merged by their name; one that is
    changed to nothing (null) is taken away, one of an unknown name is added.

    Raises:
        ValueError: The scenario or the changes are of a wrong form.
    """
    own = {key: value for key, value in scenario.items() if key != "from"}
    whole: dict[str, Any] = {}
    begin = scenario.get("from")
    if begin is not None:
        part = site(str(begin)).model_dump(mode="json", by_alias=True, exclude_unset=True)
        whole = {key: value for key, value in part.items() if key in _KEPT}
    for layer in (own, changes):
        unknown = sorted(map(str, set(layer) - _KEPT))
        if unknown:
            raise ValueError(f"'{unknown[0]}' is no part of an exercise's scenario")
        for key, value in layer.items():
            if key == "devices":
                whole[key] = _devices(whole.get(key, []), value)
            else:
                whole[key] = _merged(whole.get(key), value)
    return whole


def _merged(old: Any, new: Any) -> Any:
    if isinstance(old, Mapping) and isinstance(new, Mapping):
        return {**old, **{key: _merged(old.get(key), value) for key, value in new.items()}}
    return new


def _devices(old: Sequence[Mapping[str, Any]], new: Any) -> list[Any]:
    if isinstance(new, list):
        return new
    if not isinstance(new, Mapping):
        raise ValueError("'devices' must be a list, or a mapping from names to what differs")
    names = [device.get("name") for device in old]
    found: list[Any] = []
    for device in old:
        name = device.get("name")
        if name not in new:
            found.append(dict(device))
        elif new[name] is not None:
            found.append(_merged(device, new[name]))
    for name, value in new.items():
        if name in names:
            continue
        if not isinstance(value, Mapping) or not {"type", "sunspec", "registers"} & set(value):
            raise ValueError(f"there is no device '{name}' to change, and a new one needs a 'type'")
        found.append({"name": name, **value})
    return found


def place_in_file(
    location: Sequence[int | str],
    scenario: Mapping[str, Any],
    changes: Mapping[str, Any],
    case: int,
) -> Location:
    """Where a mistake of a composed scenario stands in the exercise file.

    Args:
        location: Place in the composed scenario.
        scenario: The exercise's own part of it.
        changes: What the case changes.
        case: Number of the case.
    """
    path = list(location)
    if len(path) > 1 and path[0] == "devices" and isinstance(path[1], int):
        path[1] = _name_of_device(path[1], scenario, changes)
    if path and path[0] in changes and _reaches(changes, path):
        return ("cases", case, "set", *path)
    if path and path[0] == "devices" and isinstance(scenario.get("devices"), list):
        names = [d.get("name") for d in scenario["devices"] if isinstance(d, Mapping)]
        if len(path) > 1 and path[1] in names:
            path[1] = names.index(path[1])
    if path and path[0] in scenario:
        return ("scenario", *path)
    return ("cases", case, "set") if changes else ("cases", case)


def _name_of_device(
    index: int, scenario: Mapping[str, Any], changes: Mapping[str, Any]
) -> int | str:
    try:
        device = compose(scenario, changes)["devices"][index]
    except (ValueError, KeyError, IndexError):
        return index
    name = device.get("name") if isinstance(device, Mapping) else None
    return name if isinstance(name, str) else index


def _reaches(tree: Any, path: Sequence[int | str]) -> bool:
    """Whether all but the last part of a path lies in a tree."""
    for part in path[:-1]:
        try:
            tree = tree[part]
        except (KeyError, IndexError, TypeError):
            return False
    return isinstance(tree, Mapping | list)
