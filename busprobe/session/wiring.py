"""Proving the wiring of one meter as a step of the job."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
    wiring_findings,
)
from busprobe.procedures.check_wiring import WiringCheck, WiringPlan
from busprobe.procedures.operator import Operator
from busprobe.session import findings as words
from busprobe.session.events import Step, StepEnd, StepFinished, StepStarted, WiringSeen
from busprobe.session.hands import attended

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork


_TIMES = ("baseline_s", "on_s", "off_s", "most_cycles")


async def prove_wiring(
    job: MeterWork,
    address: int,
    load: KnownLoad | None,
    operator: Operator | None,
    plan: WiringPlan | None,
    system: MeterSystem | None,
) -> WiringDiagnosis:
    """Prove the wiring of one meter; see `Job.check_wiring`."""
    job.emit(StepStarted(Step.WIRING, words.wiring_intent(address, load)))
    reader = await job.reader(address, measured_only=True)
    if not reader.device.phases:
        problem = words.not_a_meter(reader.device)
        job.emit(StepFinished(Step.WIRING, StepEnd.FAILED, problem.cause))
        raise problem
    plan = plan or WiringPlan(load)
    plan = replace(plan, load=load, system=system or words.system_of(reader.device))
    times = {name: getattr(plan, name) for name in _TIMES}
    there = attended(job, Step.WIRING, (address,), None if load is None else operator, times)
    if there.operator is not None:
        timing = there.timing
        plan = replace(
            plan,
            baseline_s=timing["baseline_s"],
            on_s=timing["on_s"],
            off_s=timing["off_s"],
            most_cycles=int(timing["most_cycles"]),
        )

    def seen(diagnosis: WiringDiagnosis) -> None:
        job.emit(WiringSeen(address, diagnosis))

    check = WiringCheck(
        reader,
        plan,
        there.operator,
        job.progress(Step.WIRING),
        job.tell_readings,
        seen,
        job.should_stop,
    )
    diagnosis = await check.run()
    job.clear_findings(address, words.WIRING_CODES)
    job.raise_findings(wiring_findings(address, str(reader.device.identity), diagnosis))
    job.emit(
        StepFinished(
            Step.WIRING,
            StepEnd.STOPPED if job.should_stop() else StepEnd.DONE,
            words.wiring_summary(address, diagnosis),
        )
    )
    return diagnosis
