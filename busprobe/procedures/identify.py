"""Who is it: SunSpec map, identification, server id, device profiles, in this order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from busprobe.bus.bus import Bus
from busprobe.model.device import Device, Identity
from busprobe.model.device_text import device_text
from busprobe.model.exchange import Exchange
from busprobe.procedures.asking import Asker, NoRegisters
from busprobe.procedures.progress import Observer, Progress, ignore
from busprobe.profiles.blocks import image_of, model_reads
from busprobe.profiles.decode import decode_block, has_active_text
from busprobe.profiles.match import MatchReport, ProfileMatcher
from busprobe.profiles.reads import MOST_REGISTERS, ReadFailure, RegisterRead
from busprobe.profiles.schema import DeviceProfile
from busprobe.profiles.sunspec import SunSpecWalk, WalkAnomaly
from busprobe.profiles.uniform import best_measuring_block, phase_count
from busprobe.wire import pdu

# More objects than the standard defines (0-6, and 80-FF private) mean that a device runs in
# circles.
_MOST_OBJECTS = 135
# Firmware has been seen to cap reads at 20 to 50 registers (libmodbus #664); texts of the common
# model take 16. Both exceptions are in use for "too many registers" (MODBUS Application Protocol
# V1.1b3, section 7).
_READ_LIMITS = (MOST_REGISTERS, 48, 16)
_TOO_LONG = (2, 3)
_COMMON_MODEL = 1
_IDENTITY_TEXTS = ("Mn", "Md", "Opt", "Vr", "SN")


@dataclass(frozen=True, slots=True)
class Identified:
    """Everything that identification learnt.

    Attributes:
        device: Who it is.
        anomalies: Where the SunSpec map breaks the rules.
        match: Which profiles fit, and why the others do not; None where SunSpec answered.
        hostile: Points whose text holds characters that could act on a terminal.
        exchanges: All exchanges made.
    """

    device: Device
    anomalies: tuple[WalkAnomaly, ...]
    match: MatchReport | None
    hostile: tuple[str, ...]
    exchanges: tuple[Exchange, ...]


async def identify(
    bus: Bus,
    address: int,
    profiles: Sequence[DeviceProfile] = (),
    observe: Observer = ignore,
) -> Identified:
    """Find out who answers at an address."""
    asker = Asker(bus, address)
    device = Device(address=address)

    def tell(text: str) -> None:
        observe(Progress(0, 0, None, f"address {address}: {text}"))

    tell("looking for a SunSpec map")
    walk = SunSpecWalk()
    while (wanted := walk.next_read()) is not None:
        got = await asker.read(wanted.function, wanted.address, wanted.quantity)
        walk.take(ReadFailure(got.exception) if isinstance(got, NoRegisters) else got)
    found = walk.result
    match: MatchReport | None = None
    hostile: tuple[str, ...] = ()
    if found.map is not None:
        device = replace(device, sunspec=found.map)
        tell("reading its common model")
        identity, hostile = await _common_model(asker, device)
        best = best_measuring_block(found.map.models)
        device = replace(
            device,
            identity=identity,
            phases=phase_count(best.model_id) if best is not None else 0,
        )
    if device.identity.source == "none":
        tell("asking for its identification")
        device = replace(device, identity=await _device_identification(asker))
    if device.identity.source == "none":
        tell("asking for its server id")
        device = replace(device, identity=await _server_id(asker))
    if device.sunspec is None and profiles:
        tell("trying the device profiles")
        matcher = ProfileMatcher(profiles, device.identity)
        while (probe := matcher.next_read()) is not None:
            got = await asker.read(probe.function, probe.address, probe.quantity)
            matcher.take(ReadFailure(got.exception) if isinstance(got, NoRegisters) else got)
        match = matcher.report
        fitting = match.best
        if fitting is not None:
            device = replace(device, profile=fitting.name, phases=fitting.phases)
            if device.identity.source == "none":
                device = replace(
                    device, identity=Identity(fitting.maker, fitting.model, source="profile")
                )
    tell("trying its functions")
    device = replace(
        device, functions=await _functions(asker, device), turnaround=asker.turnaround()
    )
    return Identified(device, found.anomalies, match, hostile, tuple(asker.exchanges))


async def _common_model(asker: Asker, device: Device) -> tuple[Identity, tuple[str, ...]]:
    assert device.sunspec is not None
    block = next((b for b in device.sunspec.models if b.model_id == _COMMON_MODEL), None)
    if block is None:
        return Identity(), ()
    answers: list[tuple[RegisterRead, tuple[int, ...] | None]] = []
    for limit in _READ_LIMITS:
        answers.clear()
        for read in model_reads(block, limit=limit):
            got = await asker.read(read.function, read.address, read.quantity)
            answers.append((read, None if isinstance(got, NoRegisters) else got))
        if all(registers is not None for _, registers in answers):
            break
        if isinstance(got, NoRegisters) and got.exception not in _TOO_LONG:
            break
    readings = decode_block(block, image_of(answers))
    texts = {r.name: str(r.value) for r in readings if r.value is not None}
    identity = Identity(
        maker=texts.get("Mn", ""),
        model=texts.get("Md", ""),
        version=texts.get("Vr", ""),
        serial=texts.get("SN", ""),
        source="sunspec",
    )
    hostile = tuple(
        r.name for r in readings if r.name in _IDENTITY_TEXTS and has_active_text(r.raw)
    )
    return identity, hostile


async def _device_identification(asker: Asker) -> Identity:
    """Basic objects by stream access; a device that runs in circles is left after what it gave."""
    texts: dict[int, str] = {}
    next_object = 0
    while len(texts) < _MOST_OBJECTS:
        exchange = await asker.once(pdu.read_device_identification(1, next_object))
        if exchange.answer is None:
            break
        part = pdu.device_identification_of(exchange.answer.pdu)
        if part is None:
            break
        texts.update({o.object_id: device_text(o.value) for o in part.objects})
        if not part.more_follows or part.next_object <= next_object:
            break
        next_object = part.next_object
    if not texts:
        return Identity()
    # MODBUS Application Protocol V1.1b3, section 6.21: 00 vendor, 01 product code, 02 revision.
    return Identity(
        maker=texts.get(0, ""),
        model=texts.get(1, ""),
        version=texts.get(2, ""),
        source="device-identification",
    )


async def _server_id(asker: Asker) -> Identity:
    if not asker.bus.is_serial:
        # Serial line only: MODBUS Application Protocol V1.1b3, section 6.13.
        return Identity()
    exchange = await asker.once(pdu.report_server_id())
    if exchange.answer is None:
        return Identity()
    server = pdu.server_id_of(exchange.answer.pdu)
    if server is None or not server.raw:
        return Identity()
    return Identity(model=device_text(server.raw), source="server-id")


async def _functions(asker: Asker, device: Device) -> tuple[int, ...]:
    """Which of FC 03 and 04 the device has: any answer but "illegal function" (01) says yes."""
    register = device.sunspec.base if device.sunspec is not None else 0
    supported = []
    for function in (3, 4):
        exchange = await asker.once(pdu.read_registers(function, register, 2))
        answer = exchange.answer
        if exchange.proves_device and answer is not None and answer.exception != 1:
            supported.append(function)
    return tuple(supported)
