"""The energy step of a job: read all meters of the site in turn, and see whether they add up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from busprobe.diagnosis.balance import BalanceDiagnosis, MeterRole, Role, Sign, balance_findings
from busprobe.diagnosis.catalogue import balance as balance_catalogue
from busprobe.model.errors import InputError
from busprobe.model.exchange import Outcome
from busprobe.model.finding import certainty
from busprobe.procedures.check_balance import BalanceCheck, BalanceMeter, BalancePlan
from busprobe.procedures.operator import Operator
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.session import findings as words
from busprobe.session.events import BalanceSeen, Step, StepEnd, StepFinished, StepStarted
from busprobe.session.hands import attended

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork

# Single damaged answers are no second device.
_FEWEST_POLLS = 6
_TIMES = ("rounds", "share", "hold_s", "baseline_s")
BALANCE_CODES = tuple(balance_catalogue.ENTRIES)


class _Crowd:
    """Watches for an address at which more than one device answers: it has no power of its own."""

    def __init__(self) -> None:
        self.address: int | None = None
        self._counts: dict[int, tuple[int, int]] = {}

    def count(self, readings: DeviceReadings) -> None:
        """Take one poll."""
        address = readings.device.address
        polls, crowded = self._counts.get(address, (0, 0))
        polls += 1
        crowded += any(e.outcome is Outcome.CROWDED for e in readings.exchanges)
        self._counts[address] = polls, crowded
        if polls >= _FEWEST_POLLS and crowded > polls / 2:
            self.address = address


def _crowded(address: int) -> InputError:
    return InputError(
        f"More than one device answers at address {address}: what is read there is now the one, "
        "now the other.",
        f"Run 'busprobe duplicates' on address {address}, give one of the two a free address "
        "('busprobe readdress'), and repeat the balance.",
    )


async def check_balance(
    job: MeterWork,
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
        InputError: A device has no power registers that are known, nobody answers, or more than one
            device answers at an address.
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
    crowd = _Crowd()
    wanted = operator if plan.curtail else None
    times = {name: getattr(plan, name) for name in _TIMES}
    there = attended(job, Step.ENERGY, tuple(meters), wanted, times)
    if there.operator is not None:
        timing = there.timing
        plan = replace(
            plan,
            rounds=int(timing["rounds"]),
            share=timing["share"],
            hold_s=timing["hold_s"],
            baseline_s=timing["baseline_s"],
        )

    def polled(readings: DeviceReadings) -> None:
        crowd.count(readings)
        job.tell_readings(readings)

    check = BalanceCheck(
        taking_part,
        plan,
        there.operator,
        job.settle,
        job.progress(Step.ENERGY),
        polled,
        lambda diagnosis: job.emit(BalanceSeen(diagnosis)),
        lambda: crowd.address is not None or job.should_stop(),
    )
    diagnosis = await check.run()
    if crowd.address is not None:
        problem = _crowded(crowd.address)
        job.emit(StepFinished(Step.ENERGY, StepEnd.FAILED, problem.cause))
        raise problem
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
    sure = "" if diagnosis.verdict == "undecided" else f", {certainty(diagnosis.probability)} sure"
    text = f"Energy balance {diagnosis.verdict}{sure}."
    wrong = [m.name for m in diagnosis.meters if m.sign is Sign.REVERSED and m.decided]
    if wrong:
        text += f" {', '.join(wrong)} counts the wrong way round."
    if diagnosis.residual_w is not None:
        loads = any(m.role is Role.LOAD for m in diagnosis.meters)
        what = "consumption without a meter" if loads else "consumption of the house"
        text += f" {what.capitalize()}: {diagnosis.residual_w:.0f} W."
    return text
