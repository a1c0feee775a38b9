"""From a device of a scenario file to its register server."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from busprobe.model.line import LineSettings
from busprobe_sim.meters import quirks
from busprobe_sim.meters.base import Server
from busprobe_sim.meters.identification import DeviceIdentification
from busprobe_sim.meters.plain import PlainRegister, plain_registers
from busprobe_sim.meters.points import METER_SCALES, inverter_model, meter_model
from busprobe_sim.meters.registers import Registers
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.sunspec import Model, Nameplate, Scales, SunSpecRegisters, common_model
from busprobe_sim.meters.writing import (
    Apply,
    ChangeHabits,
    Key,
    SettingParameters,
    SettingRegisters,
)
from busprobe_sim.scenario.build_site import instrument_parameters
from busprobe_sim.scenario.schema_device import (
    DevicePart,
    KeyPart,
    QuirkPart,
    RegisterPart,
    SettingRegistersPart,
    SunSpecPart,
)
from busprobe_sim.site import Instrument, Site

Readings = Callable[[int], Mapping[str, float]]

# How long a toggling scale factor stays (common practice, no source).
_TOGGLE_NS = 7_000_000_000


def build_server(
    device: DevicePart, site: Site, seed: int, settings: LineSettings, apply: Apply
) -> tuple[Server, SettingRegisters | None]:
    """The register server of a device, and the registers in it that can be written.

    Args:
        device: Its description.
        site: What it measures.
        seed: Seed of the bus.
        settings: Its line settings.
        apply: Called when the device takes a new address or other settings.
    """
    measures = device.measures
    instrument = Instrument(
        site, measures.point, instrument_parameters(measures), seed, device.name
    )
    registers = _registers(device, instrument.readings)
    firmware = device.firmware
    parameters = ServerParameters(
        functions=firmware.functions,
        read_limit=firmware.read_limit,
        address_first=firmware.address_first,
        server_text=device.model.encode(),
    )
    objects = {0: device.maker, 1: device.model, 2: device.version}
    objects |= firmware.extended_identification
    identification = DeviceIdentification({i: text.encode() for i, text in objects.items()})
    writable = None
    if firmware.settings is not None:
        writable = SettingRegisters(
            _setting_parameters(firmware.settings), device.address, settings, apply
        )
    server: Server = RegisterServer(registers, parameters, identification, writable)
    for quirk in device.quirks:
        if quirk.kind == "every-second-refused":
            server = quirks.EverySecondRefused(server, quirk.code)
        elif quirk.kind == "wrong-refusal":
            server = quirks.WrongRefusal(server, quirk.code)
    return server, writable


def _setting_parameters(part: SettingRegistersPart) -> SettingParameters:
    return SettingParameters(
        address_register=part.address_register,
        baud_register=part.baud_register,
        baud_codes={code: round(rate) for code, rate in part.baud_codes.items()},
        parity_register=part.parity_register,
        parity_codes=part.parity_codes,
        stop_register=part.stop_register,
        stop_codes=part.stop_codes,
        unlock=_key(part.unlock),
        save=_key(part.save),
        addresses=(part.lowest, part.highest),
        habits=ChangeHabits(**part.habits.model_dump()),
    )


def _key(part: KeyPart | None) -> Key | None:
    return None if part is None else Key(part.register_, part.value)


def _registers(device: DevicePart, readings: Readings) -> Registers:
    registers: Registers
    if device.sunspec is None:
        table = [_plain(entry) for entry in device.registers]
        registers = plain_registers(table, readings, device.firmware.gaps_read_zero)
    else:
        registers = _chain_with_quirks(device, device.sunspec, readings)
    for quirk in device.quirks:
        if quirk.kind == "stuck":
            registers = quirks.Stuck(registers, round(quirk.seconds * 1e9))
    return registers


def _plain(entry: RegisterPart) -> PlainRegister:
    return PlainRegister(
        entry.address, entry.quantity, entry.type, entry.step, entry.constant, entry.low_word_first
    )


def _chain_with_quirks(device: DevicePart, part: SunSpecPart, readings: Readings) -> Registers:
    toggled = next((q.scale for q in device.quirks if q.kind == "scale-toggle"), None)
    nameplate = Nameplate(
        device.maker.encode(),
        device.model.encode(),
        version=device.version.encode(),
        serial=device.serial.encode(),
    )
    models = [
        common_model(nameplate, device.address if part.device_address else None, part.common_length)
    ]
    shorter = {q.model: q.by for q in device.quirks if q.kind == "short-model"}
    for model_id in part.models:
        model = _model(model_id, part, readings, toggled)
        models.append(replace(model, length=model.length + shorter.get(model_id, 0)))
    chain = SunSpecRegisters(part.base, models)
    registers: Registers = chain
    for quirk in device.quirks:
        registers = _odd(quirk, chain, registers)
    return registers


def _model(model_id: int, part: SunSpecPart, readings: Readings, toggled: str | None) -> Model:
    if model_id in (103, 113):
        return inverter_model(model_id, readings)
    usual: Scales = {**METER_SCALES, **part.scales}

    def scales(now_ns: int) -> Scales:
        if toggled is None or now_ns // _TOGGLE_NS % 2 == 0:
            return usual
        return {**usual, toggled: usual[toggled] - 1}

    return meter_model(model_id, readings, scales)


def _odd(quirk: QuirkPart, chain: SunSpecRegisters, inner: Registers) -> Registers:
    """Wrap a chain into one of its oddities."""
    if quirk.kind == "swapped-words":
        return quirks.swapped_words(chain, inner)
    if quirk.kind == "model-length":
        return quirks.model_length(chain, inner, quirk.model, quirk.by)
    if quirk.kind == "chain-end":
        return quirks.chain_end(chain, inner, quirk.how)
    if quirk.kind == "chain-loop":
        return quirks.Looping(chain, inner)
    if quirk.kind == "pad":
        return quirks.padded(chain, inner, quirk.value)
    if quirk.kind == "restarted-counters":
        return quirks.restarted_counters(chain, inner, round(quirk.seconds * 1e9))
    if quirk.kind == "text":
        return quirks.hostile_text(chain, inner, quirk.point, bytes.fromhex(quirk.hex))
    if quirk.kind == "register":
        return quirks.overwritten(chain, inner, quirk.model, quirk.name, bytes.fromhex(quirk.hex))
    if quirk.kind == "hole":
        return quirks.hole(chain, inner, quirk.model, quirk.name)
    return inner
