"""The energy step of a job: read all meters of the site in turn, and see whether they add up."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from busprobe.diagnosis.balance import BalanceDiagnosis, MeterRole, Role, Sign, balance_findings
from busprobe.diagnosis.catalogue import balance as balance_catalogue
from busprobe.procedures.check_balance import BalanceCheck, BalanceMeter, BalancePlan
from busprobe.procedures.operator import Operator
from busprobe.session import findings as words
from busprobe.session.events import BalanceSeen, Step, StepEnd, StepFinished, StepStarted

if TYPE_CHECKING:
    from busprobe.session.job import Job

BALANCE_CODES = tuple(balance_catalogue.ENTRIES)


async def check_balance(
    job: Job,
    meters: Mapping[int, tuple[str, MeterRole]],
    plan: BalancePlan,
    operator: Operator | None = None,
) -> BalanceDiagnosis:
    """Read all meters of a site in turn and see whether they add up.

    Args:
        job: The job on the bus.
        meters: By address, what to call the meter and what it is said to measure.
        plan: How long, and which sources are held back.
        operator: Holds sources back; None to watch only.

    Raises:
        InputError: A device has no power registers that are known, or nobody answers.
    """
    job.emit(StepStarted(Step.ENERGY, _intent(meters, plan, operator)))
    taking_part = []
    for address, (name, known) in meters.items():
        reader = await job.reader(address, measured_only=True)
        if not reader.device.phases:
            problem = words.not_a_meter(reader.device)
            job.emit(StepFinished(Step.ENERGY, StepEnd.FAILED, problem.cause))
            raise problem
        taking_part.append(BalanceMeter(name, reader, known))
    check = BalanceCheck(
        taking_part,
        plan,
        operator,
        job.settle,
        job.progress(Step.ENERGY),
        job.tell_readings,
        lambda diagnosis: job.emit(BalanceSeen(diagnosis)),
        job.should_stop,
    )
    diagnosis = await check.run()
    places: tuple[int | None, ...] = (None, *meters)
    for place in places:
        job.clear_findings(place, BALANCE_CODES)
    addresses = {name: address for address, (name, _) in meters.items()}
    devices = {m.name: str(m.reader.device.identity) for m in taking_part}
    for found in balance_findings(diagnosis, addresses, devices):
        job.raise_finding(found)
    end = StepEnd.STOPPED if job.should_stop() else StepEnd.DONE
    job.emit(StepFinished(Step.ENERGY, end, _summary(diagnosis)))
    return diagnosis


def _intent(
    meters: Mapping[int, tuple[str, MeterRole]], plan: BalancePlan, operator: Operator | None
) -> str:
    listed = ", ".join(f"{name} at {address}" for address, (name, _) in meters.items())
    text = f"Read {listed} in turn, once a second where the line allows"
    if operator is not None and plan.curtail:
        text += f", while {' and '.join(plan.curtail)} is held back {plan.rounds} times"
    return f"{text}. Nothing is written."


def _summary(diagnosis: BalanceDiagnosis) -> str:
    text = f"Energy balance {diagnosis.verdict}, probability {diagnosis.probability:.4f}."
    wrong = [m.name for m in diagnosis.meters if m.sign is Sign.REVERSED and m.decided]
    if wrong:
        text += f" {', '.join(wrong)} counts the wrong way round."
    if diagnosis.residual_w is not None:
        loads = any(m.role is Role.LOAD for m in diagnosis.meters)
        what = "consumption without a meter" if loads else "consumption of the house"
        text += f" {what.capitalize()}: {diagnosis.residual_w:.0f} W."
    return text
