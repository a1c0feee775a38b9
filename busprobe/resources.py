"""Finds the data folders, in a wheel or in a checkout."""

from __future__ import annotations

from pathlib import Path

from busprobe.model.errors import InputError


def data_folder(package_file: str, name: str, beside: Path) -> Path:
    """Locate a folder of data files.

    Args:
        package_file: `__file__` of a module at the top of the package.
        name: Name of the folder.
        beside: Where it lies in a checkout.

    Raises:
        InputError: It is in neither place.
    """
    packaged = Path(package_file).parent / name
    for candidate in (beside, packaged):
        if candidate.is_dir():
            return candidate
    raise InputError(
        f"The folder '{name}' is missing: neither {packaged} nor {beside} exists.",
        "Install busprobe again.",
    )


def profile_folder() -> Path:
    """The folder of the shipped device profiles."""
    top = Path(__file__).parent
    return data_folder(__file__, "device_profiles", top.parent / "device_profiles")
