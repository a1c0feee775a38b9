"""SunSpec maps and their oddities, walked by a small walker written here."""

from __future__ import annotations

import struct
from collections.abc import Mapping

import pytest

from busprobe_sim.meters import quirks
from busprobe_sim.meters.points import METER_SCALES, inverter_model, meter_model
from busprobe_sim.meters.registers import NoSuchRegister, Registers
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.sunspec import Nameplate, SunSpecRegisters, common_model

SHOWN: Mapping[str, float] = {
    "V_L1": 230.1, "V_L2": 229.2, "V_L3": 231.3, "V": 230.2,
    "V_L1L2": 398.0, "V_L2L3": 399.0, "V_L3L1": 400.0, "VLL": 399.0,
    "I_L1": 1.11, "I_L2": 2.22, "I_L3": 3.33, "I": 6.66,
    "P_L1": 250.0, "P_L2": -480.0, "P_L3": 700.0, "P": 470.0,
    "Q_L1": 10.0, "Q_L2": -20.0, "Q_L3": 30.0, "Q": 20.0,
    "S_L1": 250.2, "S_L2": 480.4, "S_L3": 700.6, "S": 470.4,
    "PF_L1": 0.999, "PF_L2": -0.999, "PF_L3": 0.998, "PF": 0.999, "F": 50.02,
    "E_import": 123456.0, "E_import_L1": 1.0, "E_import_L2": 2.0, "E_import_L3": 3.0,
    "E_export": 654321.0, "E_export_L1": 4.0, "E_export_L2": 5.0, "E_export_L3": 6.0,
}  # fmt: skip


def chain(base: int = 40000, common: int = 66, model_id: int = 203) -> SunSpecRegisters:
    nameplate = Nameplate(b"Trollfen", b"TF 30", version=b"1.4", serial=b"4711")
    meter = meter_model(model_id, lambda _t: SHOWN, lambda _t: METER_SCALES)
    return SunSpecRegisters(base, [common_model(nameplate, 1, common), meter])


def walk(registers: Registers, base: int = 40000, most: int = 6) -> list[tuple[int, int, int]]:
    """Models by id, address and length, until the chain ends."""
    assert registers.read(base, 2, 0) == [0x5375, 0x6E53]
    address, found = base + 2, []
    for _ in range(most):
        (model_id,) = registers.read(address, 1, 0)
        if model_id in (0, 0xFFFF):
            break
        (length,) = registers.read(address + 1, 1, 0)
        found.append((model_id, address, length))
        address += 2 + length
    return found


@pytest.mark.parametrize("base", [0, 40000, 50000])
@pytest.mark.parametrize(("common", "first"), [(66, 70), (65, 69)])
def test_chain_starts_and_ends_where_it_should(base: int, common: int, first: int) -> None:
    registers = chain(base, common)
    assert walk(registers, base) == [(1, base + 2, common), (203, base + first, 105)]
    assert registers.read(base + first + 107, 2, 0) == [0xFFFF, 0]
    with pytest.raises(NoSuchRegister):
        registers.read(base + first + 107, 3, 0)


def test_float_map_ends_at_195_behind_a_short_common_model() -> None:
    registers = chain(40000, 65, 213)
    assert walk(registers)[1] == (213, 40069, 124)
    assert registers.end_address == 40195


def point(registers: SunSpecRegisters, name: str, source: Registers | None = None) -> list[int]:
    span = registers.point_addresses(name)
    return (source or registers).read(span.start, len(span), 0)


def test_values_of_an_integer_meter() -> None:
    registers = chain()
    assert point(registers, "PhVphA") == [2301]
    assert point(registers, "PhVphAB") == [3980]
    assert point(registers, "AphC") == [333]
    assert point(registers, "WphB") == [0x10000 - 480]
    assert point(registers, "TotWhExp") == [654321 >> 16, 654321 & 0xFFFF]
    assert point(registers, "TotWhImp") == [123456 >> 16, 123456 & 0xFFFF]
    # Percent with two decimals.
    assert point(registers, "PF") == [9990]
    assert point(registers, "Hz") == [5002]
    assert point(registers, "W_SF") == [0]
    assert point(registers, "V_SF") == [0xFFFF]
    # Not metered: energies of apparent and reactive power.
    assert point(registers, "TotVAhExp") == [0, 0]
    assert point(registers, "TotVAh_SF") == [0x8000]


def test_values_of_a_float_meter() -> None:
    registers = chain(model_id=213)
    words = point(registers, "WphB")
    assert struct.unpack(">f", struct.pack(">2H", *words)) == (-480.0,)
    words = point(registers, "PF")
    assert struct.unpack(">f", struct.pack(">2H", *words))[0] == pytest.approx(0.999)
    assert point(registers, "PPVphCA") == list(struct.unpack(">2H", struct.pack(">f", 400.0)))


def test_single_phase_meter_has_one_phase() -> None:
    registers = chain(model_id=201)
    assert point(registers, "W") == [250]
    assert point(registers, "WphB") == [0x8000]
    assert point(registers, "PhV") == [2301]


def test_inverter_counts_what_it_feeds_in() -> None:
    nameplate = Nameplate(b"Nixenfurt", b"Hybrid 8")
    models = [common_model(nameplate, None), inverter_model(103, lambda _t: SHOWN)]
    registers = SunSpecRegisters(40000, models)
    assert point(registers, "W") == [470]
    assert point(registers, "WH") == [654321 >> 16, 654321 & 0xFFFF]
    assert point(registers, "St") == [4]
    assert point(registers, "DA") == [0xFFFF]


def test_swapped_words_even_when_a_read_cuts_a_value() -> None:
    registers = chain()
    odd = quirks.swapped_words(registers, registers)
    high, low = point(registers, "TotWhImp")
    assert point(registers, "TotWhImp", odd) == [low, high]
    first = registers.point_addresses("TotWhImp").start
    assert odd.read(first + 1, 1, 0) == [high]
    assert point(registers, "PhVphA", odd) == [2301]


def test_a_wrong_length_leads_the_walk_astray() -> None:
    registers = chain()
    odd = quirks.model_length(registers, registers, 1, -1)
    # The walk lands on Pad, and takes the number of the next model for a length.
    assert walk(odd, most=2) == [(1, 40002, 65), (0x8000, 40069, 203)]


def test_ends_of_chains() -> None:
    registers = chain()
    assert walk(quirks.chain_end(registers, registers, "zero")) == walk(registers)
    ending = quirks.chain_end(registers, registers, "exception")
    with pytest.raises(NoSuchRegister):
        walk(ending)
    short = quirks.chain_end(registers, registers, "short")
    assert short.read(registers.end_address, 1, 0) == [0xFFFF]
    with pytest.raises(NoSuchRegister):
        short.read(registers.end_address, 2, 0)


def test_looping_chain_never_ends() -> None:
    registers = chain()
    found = walk(quirks.Looping(registers, registers), most=7)
    assert [model_id for model_id, _, _ in found] == [1, 203, 1, 203, 1, 203, 1]


def test_pad_text_counters_and_stuck_values() -> None:
    registers = chain()
    assert point(registers, "Pad", quirks.padded(registers, registers, 0x5A5A)) == [0x5A5A]
    hostile = b"\x1b[2J[/x]\xff\xfe"
    odd = quirks.hostile_text(registers, registers, "Md", hostile)
    words = point(registers, "Md", odd)
    assert struct.pack(f">{len(words)}H", *words).rstrip(b"\0") == hostile
    fresh = quirks.restarted_counters(registers, registers, 60)
    first = registers.point_addresses("TotWhImp").start
    assert fresh.read(first, 2, 59) == [0, 0]
    assert fresh.read(first, 2, 60) == registers.read(first, 2, 60)
    moving = SunSpecRegisters(
        0, [meter_model(203, lambda t: {**SHOWN, "P": float(t)}, lambda _t: METER_SCALES)]
    )
    stuck = quirks.Stuck(moving, 100)
    place = moving.point_addresses("W").start
    assert stuck.read(place, 1, 50) == [50]
    assert stuck.read(place, 1, 500) == [100]


def test_every_second_read_is_refused() -> None:
    device = quirks.EverySecondRefused(RegisterServer(chain(), ServerParameters()), 6)
    read = struct.pack(">BHH", 3, 40000, 2)
    answers = [device.respond(read, 0) for _ in range(4)]
    assert answers[1] == answers[3] == b"\x83\x06"
    assert answers[0] == answers[2] == bytes.fromhex("03 04 5375 6E53")
