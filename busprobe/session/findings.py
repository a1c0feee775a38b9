"""Findings and sentences about what the job's steps saw, for both faces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from busprobe.bus.bus import MS, Bus
from busprobe.bus.manners import Manners
from busprobe.diagnosis.catalogue import finding
from busprobe.diagnosis.catalogue import wiring as wiring_catalogue
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.listening import LineState
from busprobe.diagnosis.plausibility import (
    headroom_findings,
    plausibility_findings,
    scale_factor_finding,
)
from busprobe.diagnosis.wiring import KnownLoad, MeterSystem, WiringDiagnosis
from busprobe.model.device import Device
from busprobe.model.errors import BusprobeError, InputError
from busprobe.model.exchange import Exchange, Frame, Outcome
from busprobe.model.finding import Evidence, Finding, certainty
from busprobe.model.line import LineSettings
from busprobe.procedures.change_address import ChangePlan
from busprobe.procedures.find_settings import SettingsSearch
from busprobe.procedures.identify import Identified
from busprobe.procedures.listen import Listening
from busprobe.procedures.read_meters import DeviceReadings
from busprobe.procedures.sweep import Sweep
from busprobe.profiles.decode import changed_scale_factors
from busprobe.profiles.sunspec import AnomalyKind

if TYPE_CHECKING:
    from busprobe.session.values import FindPlan, LineReport
    from busprobe.session.workplace import Workplace

# Energy managers wait for 200 ms and more. Common practice, no source.
_SLOW_NS = 150 * MS

NOT_SERIAL = "Two devices on one address cannot be told apart through Modbus TCP."
NOT_SERIAL_NEXT = (
    "Connect to the RS-485 line itself, or to its gateway as rtu+tcp:// or rfc2217:// if it offers "
    "that."
)


NOTHING_TO_HEAR = "On Modbus TCP nothing can be overheard: a host sends only what it is asked for."


def listen_intent(seconds: float, settings: LineSettings | None) -> str:
    """What listening will do."""
    where = "at the settings that fit" if settings is None else f"at {settings}"
    return f"Listen for {seconds:g} s {where}. Nothing is sent."


def listen_summary(found: Listening) -> str:
    """What listening heard, in one sentence."""
    state, talk = found.heard.state, found.conversation
    if state is LineState.QUIET:
        return f"Not a byte was heard in {found.seconds:.0f} s."
    if state is LineState.CONVERSATION:
        often = "" if talk.poll_s is None else f", every {talk.poll_s:.2f} s"
        listed = ", ".join(str(d.address) for d in talk.devices)
        return f"Somebody polls address {listed} at {found.settings}{often}."
    return f"{found.junk_bytes} bytes were heard: {str(state).replace('-', ' ')}."


def line_intent(addresses: Sequence[int], soak_s: float) -> str:
    """What the line check will do on the bus."""
    listed = ", ".join(map(str, addresses)) or "nobody"
    count = f", then count for {soak_s:g} s" if soak_s else ""
    return (
        f"Read requests, short and long, with short and long pauses, to address {listed}{count}. "
        "Nothing is written."
    )


_UNTOLD = " The adapter tells no framing or parity errors: they are unknown."


def line_summary(report: LineReport) -> str:
    """How the line check ended, in one sentence."""
    total = sum(t.exchanges for t in report.tallies.values())
    failed = sum(t.failed for t in report.tallies.values())
    likely = [c for c in report.weighed.causes if c.probability >= 0.8]
    untold = "" if report.marks or report.errors is not None else _UNTOLD
    if not likely and not failed:
        return f"The line is healthy: {total} exchanges, all of them clean.{untold}"
    what = ", ".join(dict.fromkeys(c.code for c in likely)) or "cause undecided"
    return f"{failed} of {total} exchanges were not clean: {what}.{untold}"


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


def find_summary(job: Workplace, state: Sweep) -> str:
    """How the search ended, in one sentence."""
    count = len(job.devices)
    doubles = [d.address for d in job.devices.values() if d.duplicate == "duplicate"]
    proven_ns = state.silence_proves_ns
    within = "" if proven_ns is None else f" within {proven_ns / 1e6:.0f} ms"
    if not count:
        return f"Nobody answered at {len(state.plan.addresses)} addresses{within}."
    text = f"{count} address{'es answer' if count != 1 else ' answers'}"
    if doubles:
        text += f"; more than one device at {', '.join(map(str, sorted(doubles)))}"
    if within:
        text += f"; nobody else{within}"
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
    told = []
    for verdict, said in _DUPLICATE_WORDS.items():
        here = [str(a) for a, v in sorted(verdicts.items()) if v.verdict == verdict]
        if here:
            told.append(f"address {', '.join(here)}: {said[0] if len(here) == 1 else said[1]}")
    return "; ".join(told) + "."


def change_intent(plan: ChangePlan) -> str:
    """What a change will do on the bus."""
    return f"WRITE to address {plan.device.address}: {'; '.join(plan.lines())}."


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
    sure = "" if diagnosis.verdict == "undecided" else f", {certainty(diagnosis.probability)} sure"
    text = f"Address {address}: wiring {diagnosis.verdict}{sure}."
    if diagnosis.verdict in ("fault", "ambiguous") and diagnosis.explanations:
        text += f" {diagnosis.explanations[0].remedy}"
    return text


def heard_first(manners: Manners) -> Finding | None:
    """Who is heard before the first request: another master, or somebody who never stops."""
    size = len(manners.overheard.data)
    if manners.master:
        addresses = ", ".join(map(str, manners.addresses)) or "none recognised"
        at = "" if manners.settings is None else f" at {manners.settings}"
        return finding(
            "foreign-master",
            probability=0.999,
            evidence=[
                Evidence(
                    None,
                    f"{size} bytes were heard before anything was sent, with whole frames{at} "
                    f"about address {addresses}",
                )
            ],
            addresses=addresses,
        )
    if manners.endless:
        seconds = manners.overheard.duration_ns / 1e9
        heard = Evidence(None, f"{size} bytes in {seconds:.0f} s before anything was sent")
        return finding("jabber", probability=0.98, evidence=[heard])
    return None


def heard_first_error(found: Finding, manners: Manners) -> BusprobeError:
    """Why nothing is sent."""
    if manners.master:
        at = "" if manners.settings is None else f" It talks at {manners.settings}."
        return InputError(
            f"{found.summary}{at} Talking now would disturb it.",
            "Switch the other master off or unplug it, or insist (--insist) if you accept that.",
        )
    return InputError(
        f"{found.summary} No request would get through.",
        f"{found.remedy} Or insist (--insist).",
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


def after_find(
    job: Workplace, state: Sweep, manners: Manners | None, elsewhere: SettingsSearch | None
) -> list[Finding]:
    """What the search as a whole says."""
    found: list[Finding] = []
    settings = job.bus.settings
    if not job.devices and not job.should_stop():
        found.append(
            finding(
                "nobody-answers",
                probability=1.0,
                evidence=[
                    Evidence(
                        None, f"{len(job.exchanges)} requests, {_bytes_heard(job)} bytes heard"
                    )
                ],
                count=len(state.plan.addresses),
                settings=_tried(settings, elsewhere),
            )
        )
    if state.echo:
        echoes = [e.number for e in job.exchanges if e.echo]
        found.append(
            finding(
                "echo-heard",
                probability=0.999,
                evidence=[
                    Evidence(
                        echoes[0],
                        f"the request came back first in {len(echoes)} of {len(job.exchanges)} "
                        "exchanges",
                    )
                ],
            )
        )
    for address, exchange in sorted(state.late.items()):
        if address in state.present:
            known = job.devices.get(address)
            took_ns = _longest_ns(
                state.present[address],
                state.late_ns.get(address),
                None if known is None else known.turnaround.p95_ms,
            )
            if took_ns is None or took_ns >= _SLOW_NS:
                found.append(_late(address, exchange, took_ns))
    for address, its in sorted(job.settings_of.items()):
        if its is not None and settings is not None and its != settings:
            found.append(
                finding(
                    "settings-differ",
                    address=address,
                    device=_name(job, address),
                    probability=0.999,
                    evidence=[
                        Evidence(None, f"it answered at {its} and stayed silent at {settings}")
                    ],
                    settings=its,
                    home=settings,
                )
            )
    return found


def _tried(settings: object, elsewhere: SettingsSearch | None) -> str:
    if elsewhere is not None:
        return f", at {len(elsewhere.tried)} line settings"
    return f", at {settings}" if settings is not None else ""


def _bytes_heard(job: Workplace) -> int:
    return sum(len(e.heard) for e in job.exchanges)


def _name(job: Workplace, address: int) -> str | None:
    device = job.devices.get(address)
    return None if device is None or device.identity.source == "none" else str(device.identity)


def _longest_ns(asked_again: Exchange, late_ns: int | None, usual_ms: float | None) -> int | None:
    """How long a device took at most; None if unknown [ns].

    No longer than other programs wait, it is no fault: a fast search waits for nobody.

    Args:
        asked_again: The request that was repeated.
        late_ns: How late the answer was that was heard elsewhere [ns].
        usual_ms: What it took when it was read for its identity [ms].
    """
    known = [t for t in (asked_again.turnaround_ns, late_ns) if t is not None]
    if usual_ms is not None:
        known.append(round(1e6 * usual_ms))
    return max(known, default=None)


def _late(address: int, heard_in: Exchange, took_ns: int | None) -> Finding:
    needed_ms = 1000 if took_ns is None else 2 * round(took_ns / 1e6)
    took = "" if took_ns is None else f"; it took up to {took_ns / 1e6:.0f} ms"
    whole = any(isinstance(p, Frame) and p.address == address for p in heard_in.pieces)
    heard = f"a valid frame from address {address} was" if whole else "bytes of no frame were"
    return finding(
        "late-answer",
        address=address,
        probability=0.99,
        evidence=[
            Evidence(
                heard_in.number,
                f"{heard} heard while address {heard_in.request.address} was asked{took}",
            )
        ],
        needed_ms=needed_ms,
    )


def any_unit(address: int, serial: str, count: int) -> Finding:
    """One device answers at every unit id."""
    return finding(
        "answers-any-unit",
        address=address,
        probability=0.99,
        evidence=[Evidence(None, f"{count} unit ids answer; the first three are one device")],
        serial=serial,
        count=count,
    )


def after_identify(found: Identified) -> list[Finding]:
    """What identification says about one device."""
    device = found.device
    name = None if device.identity.source == "none" else str(device.identity)
    last = found.exchanges[-1].number if found.exchanges else None
    told: list[Finding] = []
    # A base that stayed unanswered says nothing, an end without the end model is common.
    serious = [a for a in found.anomalies if a.kind not in _HARMLESS]
    for anomaly in serious[:3]:
        raw = " ".join(f"{register:04X}" for register in anomaly.raw[:16])
        told.append(
            finding(
                "map-irregular",
                address=device.address,
                device=name,
                probability=0.99,
                evidence=[
                    Evidence(None, f"register {anomaly.register}: {raw}" if raw else anomaly.text)
                ],
                what=str(anomaly.kind).replace("-", " "),
                text=anomaly.text,
            )
        )
    if found.hostile:
        told.append(
            finding(
                "active-text",
                address=device.address,
                device=name,
                probability=1.0,
                evidence=[Evidence(None, f"{name or 'the device'} as written out here")],
                points=", ".join(found.hostile),
            )
        )
    proved = any(e.proves_device for e in found.exchanges)
    if proved and device.sunspec is None and device.profile is None:
        reasons = "no device profile was tried"
        if found.match is not None:
            reasons = "; ".join(
                f"{r.profile}: {r.reasons[0]}" for r in found.match.rejected[:4] if r.reasons
            )
        told.append(
            finding(
                "unidentified",
                address=device.address,
                device=name,
                probability=0.95,
                evidence=[Evidence(last, f"{len(found.exchanges)} exchanges were tried")],
                reasons=reasons or "there is none",
            )
        )
    return told


_HARMLESS = {AnomalyKind.UNANSWERED, AnomalyKind.UNPUBLISHED_MODEL, AnomalyKind.IRREGULAR_END}

DUPLICATE_CODES = ("duplicate-address", "duplicate-undecided", "another-meter")
# What a test for two devices found, of one address and of several; what matters most comes first.
_DUPLICATE_WORDS = {
    "duplicate": ("more than one device", "more than one device at each"),
    "undecided": ("undecided", "undecided"),
    "silent": ("nobody answers", "nobody answers"),
    "single": ("one device", "one device each"),
}
WIRING_CODES = tuple(wiring_catalogue.ENTRIES)


def after_read(polls: Sequence[DeviceReadings], nominal_v: float = 230.0) -> list[Finding]:
    """What the registers of one device say about themselves, over one poll or a few."""
    last = polls[-1]
    device = last.device
    name = None if device.identity.source == "none" else str(device.identity)
    exchange = last.exchanges[-1].number if last.exchanges else None
    told = list(
        plausibility_findings(
            device.address,
            name,
            *(p.uniform for p in polls),
            nominal_v=nominal_v,
            exchange=exchange,
        )
    )
    for block in last.blocks:
        if block.block is not None:
            told += headroom_findings(device.address, name, block.block.model_id, block.readings)
    changed = {
        point
        for before, after in pairwise(polls)
        for earlier, later in zip(before.blocks, after.blocks, strict=False)
        for point in changed_scale_factors(earlier.readings, later.readings)
    }
    toggling = scale_factor_finding(device.address, name, sorted(changed))
    return told if toggling is None else [*told, toggling]
