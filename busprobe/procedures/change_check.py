"""May a change be made now? One device at the old place, nobody at the new, no other master."""

from __future__ import annotations

from collections.abc import Callable

from busprobe.bus.bus import MS, Bus
from busprobe.bus.manners import LISTEN_FIRST_NS
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.model.errors import InputError
from busprobe.model.exchange import Outcome
from busprobe.procedures.change_plan import ChangePlan, ChangeStopped, Place
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.procedures.listen_first import listen_first
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.wire import pdu

# Slower devices than this answer nobody's polling either. Common practice, no source.
LISTEN_NS = 1_000 * MS
_TRIES = 3


def never() -> bool:
    """Nobody stops."""
    return False


async def check_change(
    bus: Bus,
    plan: ChangePlan,
    observe: Observer = ignore,
    should_stop: Callable[[], bool] = never,
    verdict: DuplicateVerdict | None = None,
) -> None:
    """Make sure that exactly one device will hear the change, and that its new place is free.

    Args:
        bus: The bus, at the present settings of the device.
        plan: What is to be written.
        observe: Told what is being done.
        should_stop: Asked before each request.
        verdict: Whether one device answers, where that was tested right before.

    Raises:
        ChangeStopped: It was stopped.
        InputError: It must not be done now; says why and what to do first.
    """
    if not bus.is_serial:
        raise InputError(
            "Through Modbus TCP nobody can see whether one device answers or two.",
            "Change it with an adapter on the RS-485 line itself.",
        )
    if plan.settings != plan.new_settings and bus.settings is None:
        raise InputError(
            "The line settings of this link are set at its server: the device would be lost.",
            "Change them with an adapter on the RS-485 line itself.",
        )
    address = plan.device.address
    observe(Progress(0, 3, None, "listening for another master"))
    manners = await listen_first(bus, LISTEN_FIRST_NS / 1e9, observe, should_stop)
    _unless_stopped(should_stop)
    if manners.master:
        raise InputError(
            "Another master is talking on this line: a change now could be lost or misunderstood.",
            "Switch the other master off or unplug it, then try again.",
        )
    observe(Progress(1, 3, None, f"making sure that one device answers at address {address}"))
    if verdict is None:
        verdict = await check_duplicate(bus, address, identity=plan.device, should_stop=should_stop)
    _unless_stopped(should_stop)
    _refuse_crowd(address, verdict)
    if plan.new != plan.old:
        observe(Progress(2, 3, None, f"making sure that {plan.new} is free"))
        await _refuse_taken(bus, plan, should_stop)


def _refuse_crowd(address: int, verdict: DuplicateVerdict) -> None:
    if verdict.verdict == "duplicate":
        serials = f" (serial numbers {', '.join(verdict.serials)})" if verdict.serials else ""
        raise InputError(
            f"More than one device answers at address {address}{serials}: all of them would take "
            "the new address.",
            "Disconnect the bus wires of all but one, then try again; "
            "'busprobe readdress --separate' guides you.",
        )
    if verdict.verdict != "single":
        raise InputError(
            f"It is {verdict.verdict} whether one device answers at address {address}.",
            "Disconnect every other device from the bus, then try again.",
        )


async def _refuse_taken(bus: Bus, plan: ChangePlan, should_stop: Callable[[], bool]) -> None:
    """At its new settings a device may be waiting at the same address, too.

    At the same rate the device itself is heard there, damaged or whole: many receivers let a wrong
    parity pass. Such a place cannot be told free from taken.
    """
    here = (plan.old.address, plan.old.settings.baud)
    places = dict.fromkeys(p for p in plan.places if (p.address, p.settings.baud) != here)
    for place in places:
        try:
            taken = await somebody_at(
                bus,
                place,
                should_stop=should_stop,
                damaged_counts=place.settings == plan.settings,
            )
        finally:
            await go_to(bus, plan.old)
        _unless_stopped(should_stop)
        if taken:
            raise InputError(
                f"Somebody answers at {place} already."
                if place.settings != plan.settings
                else f"Somebody answers at address {place.address} already.",
                "Choose a free address: 'busprobe scan' shows which are taken.",
            )


def _unless_stopped(should_stop: Callable[[], bool]) -> None:
    if should_stop():
        raise ChangeStopped


async def go_to(bus: Bus, place: Place) -> None:
    """Change the link to the settings of a place, where it can."""
    if bus.settings is not None and bus.settings != place.settings:
        await bus.configure(place.settings)


async def somebody_at(
    bus: Bus,
    place: Place,
    functions: tuple[int, ...] = (3, 4),
    tries: int = _TRIES,
    should_stop: Callable[[], bool] = never,
    *,
    damaged_counts: bool = True,
) -> bool:
    """Whether anybody answers at a place; an exception is an answer.

    Args:
        bus: The bus.
        place: The place.
        functions: Functions with which is asked.
        tries: How often.
        should_stop: Asked before each request.
        damaged_counts: Whether a damaged answer is one. It is none where a device may be set to
            another parity: some take such a request all the same, and answer in their own format.
    """
    await go_to(bus, place)
    for _ in range(tries):
        for function in functions:
            if should_stop():
                return False
            exchange = await bus.exchange(
                place.address, pdu.read_registers(function, 0, 2), listen_ns=LISTEN_NS
            )
            if exchange.proves_device:
                return True
            if damaged_counts and exchange.outcome is Outcome.DAMAGED:
                return True
    return False
