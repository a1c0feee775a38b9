"""Findings and sentences about what the job's steps saw, for both faces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from busprobe.bus.bus import Bus
from busprobe.bus.manners import Manners
from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.wiring import KnownLoad, MeterSystem, WiringDiagnosis
from busprobe.model.device import Device
from busprobe.model.errors import BusprobeError, InputError
from busprobe.model.exchange import Exchange, Outcome
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.procedures.find_settings import SettingsSearch
from busprobe.procedures.identify import Identified
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.procedures.sweep import Sweep

if TYPE_CHECKING:
    from busprobe.session.job import Job
    from busprobe.session.search import FindPlan

NOT_SERIAL = "Two devices on one address cannot be told apart through Modbus TCP."
NOT_SERIAL_NEXT = (
    "Connect to the RS-485 line itself, or to its gateway as rtu+tcp:// or rfc2217:// if it offers "
    "that."
)


def find_intent(plan: FindPlan, addresses: Sequence[int], bus: Bus) -> str:
    """What the search will do on the bus."""
    where = f"{len(addresses)} addresses" if len(addresses) != 1 else f"address {addresses[0]}"
    if not bus.is_serial:
        return f"Read requests to {where} behind this host. Nothing is written."
    settings = (
        f"at {plan.settings}"
        if plan.settings is not None
        else "after trying the common line settings"
    )
    return (
        f"Listen for {plan.listen_first_s:g} s, then read requests to {where} {settings}. "
        "Nothing is written."
    )


def find_summary(job: Job, state: Sweep) -> str:
    """How the search ended, in one sentence."""
    count = len(job.devices)
    doubles = [d.address for d in job.devices.values() if d.duplicate == "duplicate"]
    if not count:
        return f"Nobody answered at {len(state.plan.addresses)} addresses."
    text = f"{count} address{'es answer' if count != 1 else ' answers'}"
    if doubles:
        text += f"; more than one device at {', '.join(map(str, sorted(doubles)))}"
    return text + "."


def addresses_intent(addresses: Sequence[int]) -> str:
    """What the duplicate check will do on the bus."""
    listed = ", ".join(map(str, addresses))
    return (
        f"Read requests, short and long, to address {listed}, a few seconds each. "
        "Nothing is written."
    )


def addresses_summary(verdicts: Mapping[int, DuplicateVerdict]) -> str:
    """How the duplicate check ended."""
    if not verdicts:
        return "No address was checked."
    return "; ".join(f"address {a}: {v.verdict}" for a, v in sorted(verdicts.items())) + "."


def wiring_intent(address: int, load: KnownLoad | None) -> str:
    """What the wiring check will do on the bus."""
    how = (
        "while nobody switches anything on purpose"
        if load is None
        else f"while a load of {load.power_w:g} W is switched"
    )
    return f"Read the meter at address {address} once a second {how}. Nothing is written."


def wiring_summary(address: int, diagnosis: WiringDiagnosis) -> str:
    """How the wiring check ended."""
    sure = f"probability {diagnosis.probability:.4f}"
    text = f"Address {address}: wiring {diagnosis.verdict}, {sure}."
    if diagnosis.verdict in ("fault", "ambiguous") and diagnosis.explanations:
        text += f" {diagnosis.explanations[0].remedy}"
    return text


def foreign_master(manners: Manners) -> Finding:
    """Somebody else is polling this line."""
    addresses = ", ".join(map(str, manners.addresses)) or "none recognised"
    return finding(
        "foreign-master",
        probability=0.999,
        evidence=[
            Evidence(
                None,
                f"{len(manners.overheard.data)} bytes were heard before anything was sent, with "
                f"whole frames about address {addresses}",
            )
        ],
        addresses=addresses,
    )


def foreign_master_error(found: Finding) -> BusprobeError:
    """Why the search does not start."""
    return InputError(
        f"{found.summary} Talking now would disturb it.",
        "Switch the other master off or unplug it, or insist (--insist) if you accept that.",
    )


def nobody_there(address: int, bus: Bus, exchanges: Sequence[Exchange]) -> BusprobeError:
    """Why a device cannot be read."""
    damaged = sum(e.outcome in (Outcome.DAMAGED, Outcome.CROWDED) for e in exchanges)
    at = f" at {bus.settings}" if bus.settings is not None else ""
    if damaged:
        return InputError(
            f"Address {address}{at} answers, but never in a whole frame.",
            f"Two devices may share it: run 'busprobe duplicates' on address {address}.",
        )
    return InputError(
        f"Nobody answers at address {address}{at}.",
        "Run 'busprobe scan' to see who answers, or give the line settings of the device.",
    )


def not_a_meter(device: Device) -> InputError:
    """Why a device has no wiring to prove."""
    return InputError(
        f"The device at address {device.address} ({device.identity}) has no meter registers that "
        "are known here.",
        "Choose a meter, or write a device profile for it (see device_profiles/README.md).",
    )


def system_of(device: Device) -> MeterSystem:
    """How a meter is connected, by its map: SunSpec 201/211 single phase to 204/214 delta."""
    models = {b.model_id for b in device.sunspec.models} if device.sunspec is not None else set()
    if models & {201, 211}:
        return MeterSystem.SINGLE_PHASE
    if models & {202, 212}:
        return MeterSystem.SPLIT_PHASE
    if models & {204, 214}:
        return MeterSystem.THREE_PHASE_THREE_WIRE
    return MeterSystem.SINGLE_PHASE if device.phases == 1 else MeterSystem.THREE_PHASE_FOUR_WIRE


__all__ = [
    "NOT_SERIAL",
    "NOT_SERIAL_NEXT",
    "DeviceReadings",
    "Identified",
    "SettingsSearch",
    "Severity",
]
