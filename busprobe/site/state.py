"""How far a verification has come: one private file, whole after every check.

It keeps the site as found and as left, side by side, so that the handover can show both.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from busprobe.model.check import Check
from busprobe.model.device_text import visible
from busprobe.model.errors import InputError
from busprobe.model.finding import Finding
from busprobe.site.plan import LoadedPlan

# A plan of 256 meters gives some 2000 checks of about 1 kB each.
_LARGEST_BYTES = 16 * 1024 * 1024
Visit = Literal["as-found", "as-left"]


class StatePart(BaseModel):
    """Part of a state file."""

    model_config = ConfigDict(extra="forbid", frozen=True, use_attribute_docstrings=True)


class VisitPart(StatePart):
    """What was checked in one state of the site."""

    started: str
    """When the first check was made, ISO 8601 with offset."""
    changed: str
    """When the last one was made."""
    complete: bool = False
    """Whether every check that the plan implies was gone through."""
    checks: tuple[Check, ...] = ()
    """Checks in the order of the plan."""
    findings: tuple[Finding, ...] = ()
    """What was found meanwhile."""
    settings: dict[str, dict[int, str | None]] = Field(default_factory=dict)
    """Line settings at which each address answers, by name of the line; null on Modbus TCP."""


class StateFile(StatePart):
    """A state file."""

    format: Literal[1] = 1
    """Version of this file format."""
    plan_file: str
    """File of the plan."""
    plan_sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    """SHA-256 of the plan, hexadecimal."""
    site: str
    """Name of the site."""
    as_found: VisitPart | None = None
    """The site as it was found."""
    as_left: VisitPart | None = None
    """The site as it was left."""

    def visit(self, which: Visit) -> VisitPart | None:
        """The checks of one state of the site."""
        return self.as_found if which == "as-found" else self.as_left

    def with_visit(self, which: Visit, visit: VisitPart) -> StateFile:
        """The same with other checks of one state of the site."""
        return self.model_copy(update={which.replace("-", "_"): visit})


def load_state(path: Path) -> StateFile:
    """Read a state file.

    Raises:
        InputError: It cannot be read, or is none.
    """
    shown = visible(str(path))
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_BYTES + 1)
    except OSError as error:
        raise InputError(
            f"{shown}: {error.strerror or 'it cannot be read'}.", "Give a readable state file."
        ) from error
    if len(data) > _LARGEST_BYTES:
        raise InputError(f"{shown} is no state file: it is too large.", "Give another --state.")
    try:
        return StateFile.model_validate_json(data)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(map(str, first["loc"]))
        raise InputError(
            visible(f"{shown} is no state file of a verification: {where} {first['msg']}.", 600),
            "Give another --state, or move this file away to begin anew.",
        ) from None


def state_for(plan: LoadedPlan, path: Path | None) -> StateFile:
    """The state to go on from; a fresh one where there is no file yet.

    Raises:
        InputError: The file is no state file, or belongs to another plan.
    """
    if path is None or not path.exists():
        return StateFile(plan_file=plan.file, plan_sha256=plan.sha256, site=plan.plan.site.name)
    found = load_state(path)
    if found.plan_sha256 != plan.sha256:
        raise InputError(
            f"{visible(str(path))} belongs to another version of the plan.",
            "Begin a new state file with --state, or verify with the plan as it was.",
        )
    return found


def save_state(path: Path, state: StateFile) -> None:
    """Write a state file so that it is whole at any moment, readable by its owner alone.

    Raises:
        InputError: It cannot be written.
    """
    text = state.model_dump_json(indent=1).encode()
    # One name, so that a killed run leaves one piece at most, which the next one takes away.
    beside = path.with_name(f".{path.name}.tmp")
    try:
        beside.unlink(missing_ok=True)
        descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(descriptor, "wb") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise InputError(
            f"{visible(str(path))}: {error.strerror or 'it cannot be written'}.",
            "Give a place for --state that can be written.",
        ) from error


def merged(old: tuple[Finding, ...], new: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Findings of an earlier call and of this one; the newer replaces the same code and address."""
    found = {(f.code, f.address, f.device): f for f in (*old, *new)}
    return tuple(found.values())
