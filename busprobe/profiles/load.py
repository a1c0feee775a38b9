"""Loading device profiles from files and folders."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from busprobe.model.errors import InputError
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.yaml_source import input_error, load_yaml_model

WHAT = "device profile"


def load_profile(path: Path) -> DeviceProfile:
    """Load one profile.

    Raises:
        InputError: It cannot be read or is wrong; one line ``file:line:column: path: message`` for
            every mistake.
    """
    return load_yaml_model(path, DeviceProfile, what=WHAT)


def load_profiles(places: Sequence[Path]) -> tuple[DeviceProfile, ...]:
    """Load profiles from files and folders.

    Args:
        places: A file, or a folder whose ``*.yaml`` files are taken in the order of their names.

    Raises:
        InputError: Some file is wrong, or a name occurs twice; all mistakes of all files are told.
    """
    files: list[Path] = []
    for place in places:
        files += sorted(place.glob("*.yaml")) if place.is_dir() else [place]
    profiles: list[DeviceProfile] = []
    first_use: dict[str, Path] = {}
    mistakes: list[str] = []
    for file in files:
        try:
            profile = load_profile(file)
        except InputError as error:
            mistakes += error.cause.splitlines()
            continue
        if profile.name in first_use:
            mistakes.append(
                f"{file}: the name {profile.name} is taken by {first_use[profile.name]}"
            )
        first_use.setdefault(profile.name, file)
        profiles.append(profile)
    if mistakes:
        raise input_error(mistakes, WHAT)
    return tuple(profiles)
