"""Function codes, limits and exceptions, against the MODBUS Application Protocol V1.1b3."""

from __future__ import annotations

import struct
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.pdu.mei_message import ReadDeviceInformationResponse
from pymodbus.pdu.other_message import ReportDeviceIdResponse

from busprobe.model.line import LineSettings, Parity
from busprobe_sim.meters.identification import DeviceIdentification
from busprobe_sim.meters.registers import RegisterMap, Stretch, fixed
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.writing import (
    ChangeHabits,
    Key,
    Moved,
    SettingParameters,
    SettingRegisters,
)

COMPANY = {0: b"Company identification", 1: b"Product code XX", 2: b"V2.11"}


def server(
    *functions: int,
    identification: DeviceIdentification | None = None,
    settings: SettingRegisters | None = None,
    **more: object,
) -> RegisterServer:
    """100 registers, 0 to 99, holding their own number."""
    parameters = ServerParameters(functions or (3, 4), **more)  # type: ignore[arg-type]
    registers = RegisterMap([fixed(0, range(100))])
    return RegisterServer(registers, parameters, identification, settings)


def ask(device: RegisterServer, text: str) -> str:
    answer = device.respond(bytes.fromhex(text), 0)
    assert answer is not None
    return answer.hex(" ").upper()


def test_printed_read_example() -> None:
    # Section 6.3: registers 108-110 (addressed 107-109) hold 555, 0, 100.
    registers = RegisterMap([fixed(0x6B, (555, 0, 100))])
    device = RegisterServer(registers, ServerParameters())
    assert ask(device, "03 00 6B 00 03") == "03 06 02 2B 00 00 00 64"


def test_section_7_address_check() -> None:
    # A device with 100 registers: start 96 and 4 registers are right, 5 are not.
    assert ask(server(), "03 00 60 00 04") == "03 08 00 60 00 61 00 62 00 63"
    assert ask(server(), "03 00 60 00 05") == "83 02"


@pytest.mark.parametrize(
    ("request_pdu", "response"),
    [
        ("01 00 00 00 01", "81 01"),
        ("10 00 00 00 01 02 00 00", "90 01"),
        ("06 00 00 00 00", "86 01"),
        ("03 00 00 00 00", "83 03"),
        ("03 00 00 00 7E", "83 03"),
        ("03 00 00 00", "83 03"),
        ("03 00 63 00 02", "83 02"),
        ("03 FF FF 00 02", "83 02"),
        # Figure of section 6.3: the quantity is looked at before the address.
        ("03 FF 00 00 7E", "83 03"),
        ("41 00", "C1 01"),
    ],
)
def test_exceptions(request_pdu: str, response: str) -> None:
    assert ask(server(), request_pdu) == response


def test_some_firmware_looks_at_the_address_first_or_reads_less() -> None:
    assert ask(server(address_first=True), "03 FF 00 00 7E") == "83 02"
    assert ask(server(address_first=True), "03 00 00 00 7E") == "83 02"
    assert ask(server(address_first=True), "03 00 00 00 00") == "83 03"
    assert ask(server(read_limit=20), "03 00 00 00 15") == "83 03"
    assert ask(server(read_limit=20), "03 00 00 00 14").startswith("03 28")


def test_loop_back_and_no_other_diagnostics() -> None:
    # Section 6.8.2: the request is returned.
    assert ask(server(8), "08 00 00 A5 37") == "08 00 00 A5 37"
    # Force listen-only mode (sub-function 4) is not there.
    assert ask(server(8), "08 00 04 00 00") == "88 01"


def test_server_id_as_an_independent_client_reads_it() -> None:
    answer = server(17, server_id=b"\x2a\x07").respond(b"\x11", 0)
    assert answer is not None
    decoded = ReportDeviceIdResponse()
    decoded.decode(answer[1:])
    assert decoded.identifier == b"\x2a\x07"
    assert decoded.status


def test_server_id_with_text_behind_the_run_indicator() -> None:
    # Section 6.13: byte count, server id, run indicator (FF is on), additional data.
    assert ask(server(17, server_text=b"FM"), "11") == "11 04 01 FF 46 4D"


def test_device_identification_example_made_consistent() -> None:
    # Section 6.21; the printed lengths contradict the printed texts and are put right here.
    device = server(43, identification=DeviceIdentification(COMPANY, individual=False))
    expected = (
        "2B 0E 01 01 00 00 03 "
        + "00 16 " + COMPANY[0].hex(" ").upper()
        + " 01 0F " + COMPANY[1].hex(" ").upper()
        + " 02 05 " + COMPANY[2].hex(" ").upper()
    )  # fmt: skip
    assert ask(device, "2B 0E 01 00") == expected


def test_long_identification_comes_in_parts_and_is_read_by_an_independent_client() -> None:
    objects = COMPANY | {0x80: b"x" * 200, 0x81: b"y" * 200}
    device = server(43, identification=DeviceIdentification(objects))
    found: dict[int, bytes] = {}
    next_id, parts = 0, 0
    while parts < 10:
        answer = device.respond(bytes((0x2B, 0x0E, 3, next_id)), 0)
        assert answer is not None
        assert len(answer) <= 253
        decoded = ReadDeviceInformationResponse()
        decoded.decode(answer[1:])
        found |= dict(decoded.information)
        parts += 1
        if not decoded.more_follows:
            break
        next_id = decoded.next_object_id
    assert parts == 3
    assert found == objects


def test_identification_by_single_object_and_its_refusals() -> None:
    device = server(43, identification=DeviceIdentification(COMPANY))
    assert ask(device, "2B 0E 04 02") == "2B 0E 04 81 00 00 01 02 05 56 32 2E 31 31"
    assert ask(device, "2B 0E 04 55") == "AB 02"
    assert ask(device, "2B 0E 05 00") == "AB 03"
    # An unknown object restarts the stream at the first one.
    assert ask(device, "2B 0E 01 55") == ask(device, "2B 0E 01 00")


@given(st.binary(max_size=12))
def test_every_request_gets_one_legal_answer(request_pdu: bytes) -> None:
    device = server(3, 4, 8, 17, 43, identification=DeviceIdentification(COMPANY))
    answer = device.respond(request_pdu, 0)
    if not request_pdu:
        assert answer is None
    else:
        assert answer is not None
        assert answer[0] & 0x7F == request_pdu[0] & 0x7F
        assert len(answer) <= 253


def test_content_follows_the_instant() -> None:
    stretch = Stretch(10, 2, lambda now_ns: (now_ns // 10**9, 7))
    device = RegisterServer(RegisterMap([stretch]), ServerParameters())
    read = struct.pack(">BHH", 3, 10, 2)
    assert device.respond(read, 5 * 10**9) == bytes.fromhex("03 04 0005 0007")
    assert device.respond(read, 6 * 10**9) == bytes.fromhex("03 04 0006 0007")


def test_gaps_are_refused_or_read_zero() -> None:
    for zero, expected in ((False, "83 02"), (True, "03 06 00 01 00 00 00 02")):
        registers = RegisterMap([fixed(0, (1,)), fixed(2, (2,))], zero)
        device = RegisterServer(registers, ServerParameters())
        assert ask(device, "03 00 00 00 03") == expected
        assert ask(device, "03 00 02 00 02") == "83 02"


def taking(taken: list[tuple[int, int]]) -> Callable[[Moved, int], None]:
    return lambda moved, _now_ns: taken.append((moved.address, moved.settings.baud))


def test_address_register_wants_its_key_and_its_save() -> None:
    taken: list[tuple[int, int]] = []
    parameters = SettingParameters(
        address_register=0x200,
        baud_register=0x201,
        baud_codes={1: 9600, 2: 19200},
        unlock=Key(0x1FF, 0x5AA5),
        save=Key(0x20F, 1),
    )
    settings = SettingRegisters(parameters, 1, LineSettings(9600), taking(taken))
    device = server(3, 6, 16, settings=settings)
    assert ask(device, "03 02 00 00 02") == "03 04 00 01 00 01"
    assert ask(device, "06 02 00 00 07") == "86 04"
    assert ask(device, "06 01 FF 5A A5") == "06 01 FF 5A A5"
    assert ask(device, "10 02 00 00 02 04 00 07 00 02") == "10 02 00 00 02"
    assert ask(device, "06 02 00 00 F8") == "86 03"
    assert ask(device, "06 00 05 00 01") == "86 02"
    assert taken == []
    assert ask(device, "06 02 0F 00 01") == "06 02 0F 00 01"
    assert taken == [(7, 19200)]


def test_address_register_that_applies_at_once() -> None:
    taken: list[tuple[int, int]] = []
    settings = SettingRegisters(SettingParameters(5000), 1, LineSettings(9600), taking(taken))
    device = server(6, settings=settings)
    assert ask(device, "06 13 88 00 09") == "06 13 88 00 09"
    assert taken == [(9, 9600)]


def with_habits(taken: list[Moved], **habits: object) -> SettingRegisters:
    """One register for the address, one for the parity; the second must be saved in a third."""
    parameters = SettingParameters(
        address_register=10,
        parity_register=11,
        parity_codes={0: "N", 1: "E"},
        save=Key(12, 1),
        habits=ChangeHabits(**habits),  # type: ignore[arg-type]
    )
    return SettingRegisters(
        parameters, 1, LineSettings(9600), lambda moved, _now_ns: taken.append(moved)
    )


def test_what_is_saved_comes_into_force_when_power_was_off() -> None:
    taken: list[Moved] = []
    registers = with_habits(taken, effect="after-power-cycle")
    assert registers.write(10, [7], 0)
    assert registers.write(11, [1], 0)
    registers.restart(0)
    assert taken == []
    assert registers.read(10, 2) == [1, 0]
    assert registers.write(10, [7, 1], 0)
    assert registers.write(12, [1], 0)
    assert taken == []
    registers.restart(0)
    assert taken == [Moved(7, LineSettings(9600, Parity.EVEN))]


def test_a_forgetful_device_is_back_after_a_restart() -> None:
    taken: list[Moved] = []
    registers = with_habits(taken, effect="at-once", forgets=True)
    assert registers.write(10, [7], 0)
    assert registers.write(12, [1], 0)
    registers.restart(0)
    assert [moved.address for moved in taken] == [7, 1]


def test_a_device_may_move_without_a_word_or_accept_without_effect() -> None:
    taken: list[Moved] = []
    assert not with_habits(taken, effect="at-once", answers="none").write(10, [7], 0)
    assert [moved.address for moved in taken] == [7]
    ignoring = with_habits(taken, ignores=True)
    assert ignoring.write(10, [9], 0)
    assert ignoring.read(10, 1) == [1]


def test_saving_may_be_refused() -> None:
    registers = with_habits([], refuses_save=4)
    device = server(3, 6, settings=registers)
    assert ask(device, "06 00 0A 00 07") == "06 00 0A 00 07"
    assert ask(device, "06 00 0C 00 01") == "86 04"
