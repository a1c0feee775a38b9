"""The bench test as the screen runs it: what a tour writes, then the test and its report."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings
from busprobe.session.bench import BenchWish, bench, today, tour_plan
from busprobe.session.events import (
    BenchTourPlanned,
    Step,
    StepEnd,
    StepFinished,
    StepStarted,
)
from busprobe.session.handover import write_report
from busprobe.session.values import TourPlan

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork


async def show_tour(
    job: MeterWork,
    address: int,
    settings: LineSettings | None,
    only: tuple[LineSettings, ...] = (),
) -> TourPlan:
    """Find out what measuring a meter at every line setting would write; nothing is written.

    Args:
        job: The job on the bus.
        address: The meter.
        settings: Line settings that are given, None to find them.
        only: The settings to go to; all that are offered when empty.

    Raises:
        InputError: Nobody answers there, or one of `only` is not offered.
    """
    intent = f"Looks who is at address {address}. Nothing is written."
    job.emit(StepStarted(Step.BENCH, intent))
    await job.find_device(address, settings)
    device = await job.known(address)
    tour = tour_plan(job, address, only)
    job.emit(BenchTourPlanned(address, str(device.identity), tour))
    text = f"Address {address}: {tour.why_not or 'it waits for your confirmation'}."
    job.emit(StepFinished(Step.BENCH, StepEnd.DONE, text))
    return tour


async def run_bench(
    job: MeterWork,
    wish: BenchWish,
    shown: TourPlan | None,
    settings: LineSettings | None,
) -> None:
    """Test one meter and write the test down.

    Args:
        job: The job on the bus.
        wish: What is wanted.
        shown: The tour that was shown and confirmed, None where none was.
        settings: Line settings that are given, None to find them.

    Raises:
        InputError: Nobody answers there, or more than one device does.
    """

    def confirmed(tour: TourPlan) -> str:
        if shown is None or not tour.writes_as(shown):
            raise InputError(
                "What would be written is no longer what was shown; nothing was written.",
                "Look at it again, and confirm that.",
            )
        return "an answer at the screen"

    await job.find_device(wish.address, settings)
    plan = replace(wish.plan, day=today())
    confirm = confirmed if wish.every_setting else None
    sheet = await bench(job, wish.address, plan, confirm, wish.only)
    if job.recorder is not None and sheet.complete:
        await write_report(job, wish.report, step=Step.BENCH)
