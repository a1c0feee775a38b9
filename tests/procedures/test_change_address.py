"""The only procedure that writes: what it refuses, and where the device is afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from busprobe.bus.bus import Bus
from busprobe.bus.permit import WritePermit, changes_a_device
from busprobe.model.device import Device, Identity, ModelBlock, SunSpecMap
from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.change_address import (
    ChangePlan,
    ChangeState,
    change,
    check_change,
    next_free,
    plan_change,
)
from busprobe.procedures.change_check import go_to
from busprobe.procedures.change_plan import Place
from busprobe.procedures.change_seek import Whereabouts
from busprobe.profiles.schema import DeviceProfile
from busprobe.session.values import TourPlan
from busprobe.wire import pdu, writing
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.line.station import Station
from busprobe_sim.ports.virtual import VirtualLink, run_virtual

ADDRESS_REGISTER = 100


def profile(**settings: Any) -> DeviceProfile:
    return DeviceProfile.model_validate(
        {
            "format": 1,
            "name": "test-meter",
            "maker": "Trollfen",
            "model": "T",
            "match": [{"identity": {"maker": "Trollfen"}}],
            "sunspec": True,
            "settings": {"address": {"register": ADDRESS_REGISTER}, **settings},
        }
    )


@dataclass
class Meter:
    """A device whose address register behaves in one of several ways.

    `manner`: "good", "refuses" (exception 04), "dies" (takes it and never answers again), "ignores"
    (takes it without effect), "stubborn" (as "ignores", and refuses to take the old one back).
    """

    manner: str = "good"
    register: int = 1
    writes: list[tuple[int, int]] = field(default_factory=list)
    station: Station | None = None
    dead: bool = False
    unlock: bool = True

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        if self.dead:
            return None
        first, second = int.from_bytes(request[1:3], "big"), int.from_bytes(request[3:5], "big")
        if request[0] in (3, 4):
            value = self.register if first == ADDRESS_REGISTER else 0
            return bytes((request[0], 2 * second)) + value.to_bytes(2, "big") * second
        if request[0] != 6:
            return bytes((request[0] | 0x80, 1))
        return self._write(request, first, second)

    def _write(self, request: bytes, register: int, value: int) -> bytes | None:
        self.writes.append((register, value))
        back = self.manner == "stubborn" and len(self.writes) > 1
        if self.manner == "refuses" or back:
            return bytes((0x86, 4))
        self.register = value
        if self.manner == "dies":
            self.dead = True
            return None
        if self.manner == "good" and self.station is not None:
            self.station.request_change(address=value)
        return request


def bus_with(*meters: Meter, address: int = 1, others: tuple[int, ...] = ()) -> Bus:
    line = Line(LineParameters(), 1)
    for number, meter in enumerate(meters):
        node = NodeParameters(position_m=10.0 + 5 * number)
        parameters = StationParameters(address=address, node=node, turnaround_ms=20 + 30 * number)
        meter.station = line.add_station(parameters, meter)
    for other in others:
        line.add_station(StationParameters(address=other), Meter())
    return Bus(VirtualLink(line.open_port(PortParameters())))


DEVICE = Device(1, Identity("Trollfen", "T", "", "T-1", "device-identification"))


def planned(new: int = 5, **settings: Any) -> ChangePlan:
    return plan_change(DEVICE, profile(**settings), LineSettings(), new_address=new)


def changed(bus: Bus, plan: ChangePlan) -> Any:
    return run_virtual(change(bus, plan, plan.permit("a test")))


def writes_on(bus: Bus) -> list[bytes]:
    log = bus.link.port.line.log  # type: ignore[attr-defined]
    # Function codes that write: MODBUS Application Protocol V1.1b3, sections 6.5 to 6.17.
    written = (5, 6, 15, 16, 21, 22, 23)
    return [e.data for e in log if e.sender.startswith("port") and e.data[1] in written]


def test_a_good_device_answers_at_its_new_address_and_nobody_at_the_old_one() -> None:
    meter = Meter()
    bus = bus_with(meter)
    result = changed(bus, planned())
    assert result.state is ChangeState.CHANGED
    assert result.address == 5
    assert meter.writes == [(ADDRESS_REGISTER, 5)]
    assert len(writes_on(bus)) == 1


def test_every_write_of_the_plan_is_made_in_order_and_no_other() -> None:
    plan = planned(
        unlock=[{"register": 90, "value": 7}],
        save=[{"register": 99, "value": 1}],
        takes_effect="after-save",
    )
    assert [(w.register, w.value) for w in plan.writes] == [(90, 7), (ADDRESS_REGISTER, 5), (99, 1)]
    assert "register 100 := 5 (0005h), its new address" in plan.lines()


@pytest.mark.parametrize(
    ("manner", "state", "address"),
    [
        ("refuses", ChangeState.UNCHANGED, 1),
        ("dies", ChangeState.UNCERTAIN, None),
        ("ignores", ChangeState.ROLLED_BACK, 1),
        ("stubborn", ChangeState.UNCERTAIN, 1),
    ],
)
def test_whatever_goes_wrong_the_state_is_told(
    manner: str, state: ChangeState, address: int | None
) -> None:
    meter = Meter(manner)
    bus = bus_with(meter)
    result = changed(bus, planned())
    assert result.state is state
    assert result.address == address
    assert result.text


def test_a_change_that_waits_for_power_is_not_rolled_back() -> None:
    meter = Meter("ignores")
    bus = bus_with(meter)
    result = changed(bus, planned(takes_effect="after-power-cycle"))
    assert result.state is ChangeState.WAITS_FOR_POWER
    assert meter.writes == [(ADDRESS_REGISTER, 5)]


def test_a_profile_that_does_not_fit_writes_nothing() -> None:
    meter = Meter(register=77)
    bus = bus_with(meter)
    with pytest.raises(InputError, match="does not fit"):
        changed(bus, planned())
    assert meter.writes == []


def checked(bus: Bus, plan: ChangePlan) -> Callable[[], None]:
    return lambda: run_virtual(check_change(bus, plan))


def test_a_single_device_and_a_free_address_pass_the_check() -> None:
    bus = bus_with(Meter())
    checked(bus, planned())()
    assert writes_on(bus) == []


def test_a_duplicate_is_refused() -> None:
    bus = bus_with(Meter(), Meter())
    with pytest.raises(InputError, match=r"More than one|undecided"):
        checked(bus, planned())()
    assert writes_on(bus) == []


def test_a_taken_address_is_refused() -> None:
    bus = bus_with(Meter(), others=(5,))
    with pytest.raises(InputError, match="address 5 already"):
        checked(bus, planned())()
    assert writes_on(bus) == []


def test_a_foreign_master_is_a_reason_to_refuse() -> None:
    bus = bus_with(Meter(), others=(2,))
    line = bus.link.port.line  # type: ignore[attr-defined]
    line.add_master(MasterParameters(requests=((2, pdu.read_registers(3, 0, 2)),)))
    with pytest.raises(InputError, match="Another master"):
        checked(bus, planned())()


@pytest.mark.parametrize(
    ("new", "settings", "message"),
    [
        (1, {}, "Nothing would change"),
        (200, {"address": {"register": 100, "highest": 99}}, "does not take address 200"),
    ],
)
def test_what_the_device_does_not_take_is_refused(
    new: int, settings: dict[str, Any], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        planned(new, **settings)


def test_without_a_profile_nothing_is_planned() -> None:
    with pytest.raises(InputError, match="No profile says"):
        plan_change(DEVICE, None, LineSettings(), new_address=5)


def test_a_rate_the_device_does_not_take_is_refused() -> None:
    with pytest.raises(InputError, match="rate 300"):
        plan_change(
            DEVICE,
            profile(baud={"register": 101, "codes": {1: 9600, 2: 19200}}),
            LineSettings(),
            new_settings=LineSettings(300),
        )


def test_the_next_free_address_leaves_1_to_the_grid_meter() -> None:
    # Common practice, no source.
    assert next_free([1, 2, 4], None) == 3
    assert next_free([], None) == 2
    assert next_free(range(1, 248), None) is None


# The functions that change something: MODBUS Application Protocol V1.1b3, sections 6.5, 6.6, 6.11,
# 6.12, 6.15 to 6.17, and the diagnostics 01 and 04 of section 6.8.
WRITES = [
    bytes.fromhex(h)
    for h in (
        "0500ACFF00",
        "0600010003",
        "0F0013000A02CD01",
        "100001000204000A0102",
        "16000400F20025",
        "17000300060000000306 00FF00FF00FF".replace(" ", ""),
        "080001FF00",
        "0800040000",
    )
]


@pytest.mark.parametrize("request_", WRITES, ids=lambda r: r.hex())
def test_no_write_leaves_the_bus_without_a_permit(request_: bytes) -> None:
    bus = bus_with(Meter())
    assert changes_a_device(request_)
    with pytest.raises(ValueError, match="permit"):
        run_virtual(bus.exchange(1, request_, listen_ns=1))
    assert bus.link.port.line.log == []  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("address", "request_"),
    [
        (2, writing.write_register(100, 5)),
        (1, writing.write_register(101, 5)),
        (1, writing.write_registers(100, (5, 6))),
        (1, bytes.fromhex("0500ACFF00")),
    ],
)
def test_a_permit_covers_what_was_confirmed_and_nothing_else(address: int, request_: bytes) -> None:
    permit = WritePermit(1, frozenset((100,)), "a test")
    assert not permit.covers(address, request_)
    assert permit.covers(1, writing.write_register(100, 9))


@pytest.mark.parametrize(
    "request_",
    [
        pdu.read_registers(3, 0, 1),
        pdu.read_registers(4, 0, 1),
        pdu.read_device_identification(1, 0),
        pdu.report_server_id(),
        pdu.loop_back(),
    ],
)
def test_what_busprobe_asks_changes_nothing(request_: bytes) -> None:
    assert not changes_a_device(request_)


# -- only the format changes --------------------------------------------------------------------

FORMAT_REGISTER = 101
EVEN = LineSettings(parity=Parity.EVEN)


@dataclass
class FormatMeter(Meter):
    """A device whose parity is set by a register; `readable` says whether it tells it."""

    readable: bool = True
    held: int = 0

    def respond(self, request: bytes, now_ns: int) -> bytes | None:
        asked = int.from_bytes(request[1:3], "big")
        if request[0] == 3 and asked == FORMAT_REGISTER:
            if not self.readable:
                return bytes((0x83, 2))
            return bytes((3, 2)) + self.held.to_bytes(2, "big")
        if request[0] == 6 and asked == FORMAT_REGISTER:
            self.held = int.from_bytes(request[3:5], "big")
            assert self.station is not None
            self.station.request_change(settings=EVEN)
            return request
        return super().respond(request, now_ns)


@pytest.mark.parametrize(
    ("readable", "state", "said"),
    [
        (True, ChangeState.CHANGED, "does not tell the two formats apart here"),
        (False, ChangeState.UNCERTAIN, "its registers could not be read back"),
    ],
)
def test_registers_decide_where_an_answer_does_not_tell_the_format(
    monkeypatch: pytest.MonkeyPatch, readable: bool, state: ChangeState, said: str
) -> None:
    heard = Whereabouts.answers

    async def whatever_the_parity(self: Whereabouts, place: Place, tries: int = 3) -> bool:
        """An adapter that hands over what it hears with a wrong parity, as some do."""
        if await heard(self, place, tries):
            return True
        other = self.plan.new if place == self.plan.old else self.plan.old
        answered = await heard(self, other, tries)
        await go_to(self.bus, place)
        return answered

    monkeypatch.setattr(Whereabouts, "answers", whatever_the_parity)
    meter = FormatMeter(readable=readable)
    bus = bus_with(meter)
    how = profile(parity={"register": FORMAT_REGISTER, "codes": {0: "N", 1: "E"}})
    plan = plan_change(DEVICE, how, LineSettings(), new_settings=EVEN)
    result = changed(bus, plan)
    assert result.state is state
    assert said in result.text
    assert meter.held == 1
    assert meter.station is not None
    assert meter.station.settings == EVEN


@pytest.mark.parametrize("readable", [True, False])
def test_a_format_that_answers_tell_needs_no_register(readable: bool) -> None:
    bus = bus_with(FormatMeter(readable=readable))
    how = profile(parity={"register": FORMAT_REGISTER, "codes": {0: "N", 1: "E"}})
    result = changed(bus, plan_change(DEVICE, how, LineSettings(), new_settings=EVEN))
    assert result.state is ChangeState.CHANGED
    assert "nobody at address 1, 9600 8N1" in result.text


@pytest.mark.parametrize(("model", "cautious"), [(103, True), (701, True), (203, False)])
def test_a_change_of_an_inverter_says_what_it_may_set_off(model: int, cautious: bool) -> None:
    # SunSpec models 101 to 103 and 111 to 113 are inverters, 701 DER measurement, 203 a meter.
    blocks = (ModelBlock(1, 40002, 66), ModelBlock(model, 40070, 50))
    device = Device(1, DEVICE.identity, sunspec=SunSpecMap(40000, blocks))
    plan = plan_change(device, profile(), LineSettings(), new_address=5)
    assert (plan.caution != "") is cautious
    assert ("this device is an inverter" in " ".join(plan.lines())) is cautious
    tour = TourPlan(LineSettings(), (EVEN,), (plan,))
    assert ("this device is an inverter" in " ".join(tour.lines())) is cautious
