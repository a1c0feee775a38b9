"""A first plan of the site from what was found on the open line."""

from __future__ import annotations

import datetime
import itertools
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from busprobe.model.errors import InputError
from busprobe.session.events import PlanWritten, Step, StepEnd, StepFinished, StepStarted

if TYPE_CHECKING:
    from busprobe.model.device import Device
    from busprobe.session.workplace import Workplace
    from busprobe.site.first_plan import Scanned
    from busprobe.site.plan_parts import DevicePart

_PLAN_INTENT = "Writes a first plan from what was found. Nothing is sent."


async def write_plan(
    job: Workplace, serials: Mapping[int, tuple[str, ...]], file: Path | None = None
) -> None:
    """Write a first plan from what was found, beside the recording or in the working folder.

    Args:
        job: What is known of the line.
        serials: Serial numbers heard at an address where more than one device answers.
        file: Where to write it; a free name where None.

    Raises:
        InputError: Nobody was found, the file exists, or the plan cannot be written.
    """
    from busprobe.site.first_plan import first_plan

    job.emit(StepStarted(Step.HANDOVER, _PLAN_INTENT))
    if not job.devices:
        raise InputError("Nobody was found yet, so there is nothing to plan.", "Search first.")
    made = datetime.datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    text = first_plan(job.endpoint, job.bus.settings, scanned(job, serials), made)
    path = _free_name(job) if file is None else _not_taken(file)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise InputError(
            f"The plan cannot be written to {path}: {error.strerror}.", "Make room on the disk."
        ) from error
    job.emit(PlanWritten(str(path)))
    count = len(job.devices)
    many = "1 device" if count == 1 else f"{count} devices"
    summary = f"A first plan of {many}: {path}. Fill in roles and ratings."
    job.emit(StepFinished(Step.HANDOVER, StepEnd.DONE, summary))


def planned_addresses(job: Workplace, plan_file: Path) -> tuple[int, ...]:
    """Where somebody should answer on the open line by a plan; see `planned_devices`."""
    return tuple(part.address for part in planned_devices(job, plan_file))


def planned_devices(job: Workplace, plan_file: Path) -> tuple[DevicePart, ...]:
    """Who should be on the open line by a plan; nobody where the plan does not have the line.

    Raises:
        InputError: The plan cannot be read.
    """
    from busprobe.session.handover import planned_line
    from busprobe.site.plan import load_plan

    plan = load_plan(plan_file).plan
    line = planned_line(job, plan)
    return () if line is None else plan.devices_on(line.name)


def planned_address(
    device: Device, shared: int, planned: Sequence[DevicePart], known: Collection[int]
) -> int | None:
    """The address that a meter gets by the plan when it leaves a shared one.

    By its serial number where the plan names it; else where just one place of its model is left.

    Args:
        device: The meter.
        shared: The address that it leaves.
        planned: Who should be on the line.
        known: Addresses at which somebody answers.
    """
    serial = device.identity.serial
    if serial:
        for part in planned:
            if part.serial == serial:
                return None if part.address in (shared, *known) else part.address
    left = [
        part.address
        for part in planned
        if part.address not in (shared, *known)
        and (not part.serial or not serial)
        and (not part.model or part.model.casefold() == device.identity.model.casefold())
    ]
    return left[0] if len(left) == 1 else None


def scanned(job: Workplace, serials: Mapping[int, tuple[str, ...]]) -> list[Scanned]:
    """What a search found: alone at its address or not, and connected as its profile says."""
    from busprobe.site.first_plan import Scanned

    systems = {p.name: p.system for p in job.profiles() if not p.sunspec and p.phases}
    return [
        Scanned(
            device,
            job.settings_of.get(address),
            serials.get(address, ()),
            systems.get(device.profile or "", ""),
        )
        for address, device in sorted(job.devices.items())
    ]


def _not_taken(file: Path) -> Path:
    if file.exists():
        raise InputError(f"The file {file} exists already.", "Choose another name.")
    return file


def _free_name(job: Workplace) -> Path:
    """A name that is not taken, beside the recording where there is one."""
    beside = None if job.recorder is None else job.recorder.path
    folder = Path.cwd() if beside is None else beside.parent
    stem = "first" if beside is None else beside.stem
    names = (f"{stem}{'' if n == 1 else f'-{n}'}.plan.yaml" for n in itertools.count(1))
    return next(path for name in names if not (path := folder / name).exists())
