"""Changing address or line settings, as a job does it: refuse, write, follow, tell, keep.

Whatever ends a change, a `ChangeEnded` tells in what state things are: also when the link is lost
or the program is stopped between a write and the look at where the device is.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from busprobe.bus.bus import MS
from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.model.errors import InputError
from busprobe.model.finding import Evidence
from busprobe.model.line import LineSettings
from busprobe.procedures.change_address import (
    ChangePlan,
    ChangeResult,
    ChangeState,
    Written,
    change,
    check_change,
    conclude_after_power,
)
from busprobe.procedures.change_address import plan_change as work_out
from busprobe.procedures.operator import Deed, HandRequest, Operator
from busprobe.profiles.match import settings_profile
from busprobe.session import findings as words
from busprobe.session.events import ChangeEnded, Step, StepEnd, StepFinished, StepStarted
from busprobe.session.hands import KeptOperator

if TYPE_CHECKING:
    from busprobe.session.reading import MeterWork

# So often it is looked whether the technician has answered.
_ASK_AGAIN_NS = 250 * MS
# What is said of an address and not of the device there: it does not move with the device.
_OF_ADDRESS = ("polled-absent", "device-silent")
POWER_WORDS = (
    "Switch the device at address {address} off and on: isolate it first, where mains is "
    "near only a licensed electrician may."
)


async def plan_change(
    job: MeterWork,
    address: int,
    new_address: int | None,
    new_settings: LineSettings | None,
    verdict: DuplicateVerdict | None = None,
) -> ChangePlan:
    """Work out what a change writes, and whether it may be made now; only reads are sent.

    Args:
        job: The job on the bus.
        address: The device.
        new_address: Its address afterwards; as it is where None.
        new_settings: Its line settings afterwards; as they are where None.
        verdict: Whether one device answers, where that was tested right before.

    Raises:
        ChangeStopped: It was stopped.
        InputError: It cannot be done, or must not be done now.
    """
    try:
        device = await job.known(address)
        await job.settle(address)
        profile = settings_profile(job.profiles(), device.identity, device.profile)
        plan = work_out(
            device, profile, job.bus.line, new_address=new_address, new_settings=new_settings
        )
        await check_change(
            job.bus, plan, job.progress(Step.ADDRESSES), job.should_stop, verdict=verdict
        )
    except InputError as error:
        job.emit(ChangeEnded(None, None, str(error), address=address))
        raise
    return plan


async def make_change(
    job: MeterWork,
    plan: ChangePlan,
    confirmed_by: str,
    operator: Operator | None = None,
    *,
    as_step: bool = True,
) -> ChangeResult:
    """Write what was planned and confirmed, and find out where the device is then.

    Args:
        job: The job on the bus.
        plan: What was shown.
        confirmed_by: Who confirmed it and how.
        operator: Switches the device off and on where it waits for that.
        as_step: Tell it as a step of its own; else it is part of one that tells itself.

    Raises:
        ChangeStopped: It was stopped before the first write.
        InputError: A register holds something else than the profile says; nothing was written.
    """
    written: list[Written] = []
    tell = job.progress(Step.ADDRESSES)
    if as_step:
        job.emit(StepStarted(Step.ADDRESSES, words.change_intent(plan)))
    try:
        result = await change(
            job.bus,
            plan,
            plan.permit(confirmed_by),
            tell,
            should_stop=job.should_stop,
            on_written=written.append,
            profiles=job.profiles(),
        )
        if result.state is ChangeState.WAITS_FOR_POWER and operator is not None:
            request = HandRequest(
                POWER_WORDS.format(address=plan.device.address),
                deed=Deed.POWER_CYCLE,
                address=plan.device.address,
            )
            if await done_by_hand(job, operator, request):
                result = await conclude_after_power(
                    job.bus, plan, result, tell, profiles=job.profiles()
                )
    except InputError as error:
        job.emit(ChangeEnded(plan, None, str(error), confirmed_by, plan.device.address))
        raise
    except BaseException:
        # The link was lost, or the program is being stopped.
        job.emit(ChangeEnded(plan, _interrupted(written), "", confirmed_by, plan.device.address))
        raise
    _keep(job, plan, result)
    job.emit(ChangeEnded(plan, result, "", confirmed_by, plan.device.address))
    if as_step:
        good = StepEnd.DONE if result.state is ChangeState.CHANGED else StepEnd.FAILED
        job.emit(StepFinished(Step.ADDRESSES, good, result.text))
    return result


async def done_by_hand(job: MeterWork, operator: Operator, request: HandRequest) -> bool:
    """Ask for something to be done and wait; False when it was refused or the work stopped."""
    kept = KeptOperator(operator, job)
    kept.ask(request, job.bus.now())
    while (answer := kept.answer()) is None:
        if job.should_stop():
            return False
        await job.bus.listen(_ASK_AGAIN_NS)
    if answer:
        # Simulated hands need a moment, and real ones are answered for a moment too early.
        await job.bus.listen(2_000 * MS)
    return answer


def _interrupted(written: list[Written]) -> ChangeResult:
    if not written:
        return ChangeResult(
            ChangeState.UNCHANGED, None, "Interrupted: no write was finished. Search again.", ()
        )
    made = ", ".join(f"{w.write.register} := {w.write.value}" for w in written)
    return ChangeResult(
        ChangeState.INTERRUPTED,
        None,
        f"Interrupted after register {made} was written: nobody looked where the device answers "
        "now. Search the whole line.",
        tuple(written),
    )


def _keep(job: MeterWork, plan: ChangePlan, result: ChangeResult) -> None:
    """What is known of the device goes with it to where it answers now."""
    old = plan.device.address
    if result.address is None or result.settings is None:
        job.devices.pop(old, None)
        job.settings_of.pop(old, None)
        return
    job.settings_of.pop(old, None)
    job.settings_of[result.address] = result.settings
    if (result.address, result.settings) == (old, plan.settings):
        return
    device = job.devices.pop(old, plan.device)
    job.move(old, result.address)
    job.know(replace(device, address=result.address, duplicate="single"))
    if result.address != old:
        move_findings(job, old, result.address)
    if result.settings != plan.settings:
        _compare_settings(job, result.address, result.settings)


def move_findings(job: MeterWork, old: int, new: int) -> None:
    """Findings follow their device; that there were two at the old address is settled."""

    def said(text: str) -> str:
        return re.sub(rf"\b(address|unit id) {old}\b", rf"\1 {new}", text)

    for code, address in list(job.findings):
        if address != old or code in _OF_ADDRESS:
            continue
        known = job.findings[code, address]
        job.clear_findings(old, (code,))
        if code in words.DUPLICATE_CODES:
            continue
        told = Evidence(None, f"found while the device had address {old}")
        job.raise_finding(
            replace(
                known,
                address=new,
                summary=said(known.summary),
                cause=said(known.cause),
                remedy=said(known.remedy),
                evidence=(*known.evidence, told),
            )
        )


def _compare_settings(job: MeterWork, address: int, settings: LineSettings) -> None:
    """Tell when a device talks otherwise than the others now."""
    job.clear_findings(address, ("settings-differ",))
    others = Counter(s for a, s in job.settings_of.items() if a != address and s is not None)
    if not others or settings in others:
        return
    device = job.devices[address]
    home = others.most_common(1)[0][0]
    job.raise_finding(
        finding(
            "settings-differ",
            address=address,
            device=None if device.identity.source == "none" else str(device.identity),
            probability=1.0,
            evidence=[Evidence(None, f"it was set to {settings} just now, and answers there")],
            settings=settings,
            home=home,
        )
    )
