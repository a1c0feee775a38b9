"""The served simulated bus, read by clients that are not ours."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import minimalmodbus
import pytest
import serial
import sunspec2.modbus.client as sunspec_client
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

from busprobe_sim.ports.serve_bus import Served
from busprobe_sim.scenario import SimulatedBus, load_scenario
from tests.peers.simulated_bus_serving import fast_bus, instrument, served

SUNS = [0x5375, 0x6E53]
# Registers of the two meters that peers compare, by their published offsets.
VOLTS_203 = 40070 + 8
VOLTS_213 = 40069 + 12


@pytest.fixture
def bus(tmp_path: Path) -> SimulatedBus:
    return fast_bus(tmp_path)


# One way a test: on a common line every adapter hears the tail of the others' traffic.
@pytest.fixture
def gateway(bus: SimulatedBus) -> Iterator[Served]:
    with served(bus, tcp_port=0) as found:
        yield found


@pytest.fixture
def converter(bus: SimulatedBus) -> Iterator[Served]:
    with served(bus, rtu_tcp_port=0) as found:
        yield found


@pytest.fixture
def terminal(bus: SimulatedBus) -> Iterator[str]:
    with served(bus, pty=True) as found:
        assert found.pty
        yield found.pty


@pytest.fixture
def remote(bus: SimulatedBus) -> Iterator[str]:
    with served(bus, rfc2217_port=0) as found:
        yield found.links[0]


def _check_pymodbus(client: Any) -> None:
    assert client.connect()
    try:
        marker = client.read_holding_registers(40000, count=2, device_id=1)
        assert marker.registers == SUNS
        volts = client.read_holding_registers(VOLTS_203, count=3, device_id=1)
        assert all(2200 < value < 2400 for value in volts.registers)
        words = client.read_input_registers(VOLTS_213, count=2, device_id=7).registers
        (value,) = struct.unpack(">f", struct.pack(">2H", *words))
        assert 220 < value < 240
        assert value == pytest.approx(volts.registers[0] / 10, rel=0.02)
        refused = client.read_holding_registers(100, count=2, device_id=1)
        assert refused.exception_code == 2
    finally:
        client.close()


def test_pymodbus_through_the_gateway(gateway: Served) -> None:
    _check_pymodbus(ModbusTcpClient(gateway.host, port=gateway.tcp_port or 0))


def test_pymodbus_rtu_over_tcp(converter: Served) -> None:
    port = converter.rtu_tcp_port or 0
    _check_pymodbus(ModbusTcpClient(converter.host, port=port, framer=FramerType.RTU))


def test_pymodbus_on_the_pseudo_terminal(terminal: str) -> None:
    _check_pymodbus(ModbusSerialClient(terminal, baudrate=115200))


def test_gateway_answers_for_silent_units_and_impossible_ones(gateway: Served) -> None:
    client: Any = ModbusTcpClient(gateway.host, port=gateway.tcp_port or 0)
    assert client.connect()
    try:
        # MODBUS Application Protocol V1.1b3, section 7: 0B when the target fails to respond.
        assert client.read_holding_registers(0, count=1, device_id=33).exception_code == 0x0B
        assert client.read_holding_registers(0, count=1, device_id=255).exception_code == 0x0A
        assert client.read_holding_registers(40000, count=2, device_id=1).registers == SUNS
    finally:
        client.close()


def test_device_identification_through_the_gateway(gateway: Served) -> None:
    client: Any = ModbusTcpClient(gateway.host, port=gateway.tcp_port or 0)
    assert client.connect()
    try:
        answer = client.read_device_information(read_code=1, device_id=7)
        assert answer.information[0] == b"Nixenfurt"
    finally:
        client.close()


def test_minimalmodbus_on_the_pseudo_terminal(terminal: str) -> None:
    instrument = minimalmodbus.Instrument(terminal, 7)
    port = instrument.serial
    assert port is not None
    port.baudrate = 115200
    port.timeout = 0.5
    try:
        assert instrument.read_registers(40000, 2) == SUNS
        assert 220 < instrument.read_float(VOLTS_213) < 240
        with pytest.raises(minimalmodbus.IllegalRequestError):
            instrument.read_register(100)
    finally:
        port.close()


def test_rate_of_the_pseudo_terminal_is_honoured(terminal: str) -> None:
    request = bytes.fromhex("01 03 9C 40 00 02 EB 8F")
    with serial.Serial(terminal, 19200, timeout=0.3) as port:
        port.write(request)
        assert port.read(9) != bytes.fromhex("01 03 04 53 75 6E 53 96 F0")
    with serial.Serial(terminal, 115200, timeout=0.5) as port:
        port.reset_input_buffer()
        port.write(request)
        assert port.read(9) == bytes.fromhex("01 03 04 53 75 6E 53 96 F0")


def test_pyserial_negotiates_the_settings_of_the_remote_port(remote: str) -> None:
    request = bytes.fromhex("01 03 9C 40 00 02 EB 8F")
    answer = bytes.fromhex("01 03 04 53 75 6E 53 96 F0")
    with serial.serial_for_url(remote, baudrate=115200, timeout=0.5) as port:
        port.write(request)
        assert port.read(9) == answer
        # Other settings reach the line: the meter does not understand them.
        port.parity = serial.PARITY_EVEN
        port.write(request)
        assert port.read(9) != answer
        port.parity = serial.PARITY_NONE
        port.write(request)
        assert port.read(9) == answer


def test_remote_port_refuses_what_a_line_cannot_have(remote: str) -> None:
    with pytest.raises(ValueError):
        serial.serial_for_url(remote, baudrate=115200, bytesize=7, timeout=0.5)


_POINTS = {
    "A": "I",
    "AphC": "I_L3",
    "PhV": "V",
    "PhVphB": "V_L2",
    "Hz": "F",
    "W": "P",
    "WphA": "P_L1",
    "VARphB": "Q_L2",
    "VAphC": "S_L3",
    "TotWhImp": "E_import",
    "TotWhExpPhA": "E_export_L1",
}


@pytest.mark.parametrize(
    ("address", "model_id", "serial_number"), [(1, 203, "A-1"), (7, 213, "B-7")]
)
def test_sunspec_reference_decodes_what_the_instrument_shows(
    gateway: Served, bus: SimulatedBus, address: int, model_id: int, serial_number: str
) -> None:
    device = sunspec_client.SunSpecModbusClientDeviceTCP(
        slave_id=address, ipaddr=gateway.host, ipport=gateway.tcp_port, timeout=2.0
    )
    try:
        device.scan()
        assert device.models[1][0].SN.value == serial_number
        model = device.models[model_id][0]
        found = {name: getattr(model, name).cvalue for name in _POINTS}
        if model_id == 203:
            steps = {p: 10.0 ** getattr(model, getattr(model, p).pdef["sf"]).value for p in _POINTS}
        else:
            # 24 bits of mantissa.
            steps = {name: 2.0**-23 * abs(value) for name, value in found.items()}
    finally:
        device.close()
    # The registers of this bench are refreshed once an hour: they still hold what was shown then.
    shown = instrument(bus, address).readings(bus.line.now_ns)
    for name, quantity in _POINTS.items():
        assert found[name] == pytest.approx(shown[quantity], abs=0.51 * steps[name] + 1e-9), name
    assert 220 < found["PhV"] < 240
    assert found["W"] > 100


def test_stopping_takes_everything_away(tmp_path: Path) -> None:
    with served(fast_bus(tmp_path), pty=True, tcp_port=0, rtu_tcp_port=0) as found:
        client: Any = ModbusTcpClient(found.host, port=found.tcp_port or 0, timeout=1, retries=0)
        assert client.connect()
        assert found.pty
        assert Path(found.pty).exists()
    with pytest.raises((ModbusException, ConnectionError)):
        client.read_holding_registers(40000, count=2, device_id=1)
    client.close()
    assert not Path(found.pty).exists()


def test_two_masters_on_one_line_disturb_each_other(tmp_path: Path) -> None:
    del tmp_path
    bus = load_scenario("healthy").build()
    with served(bus, tcp_port=0, rtu_tcp_port=0) as found:
        listener = serial.serial_for_url(f"socket://{found.host}:{found.rtu_tcp_port}", timeout=0.2)
        client: Any = ModbusTcpClient(found.host, port=found.tcp_port or 0)
        assert client.connect()
        assert client.read_holding_registers(40000, count=2, device_id=1).registers == SUNS
        # The other adapter has heard request and answer.
        assert listener.read(17) == bytes.fromhex(
            "01 03 9C 40 00 02 EB 8F 01 03 04 53 75 6E 53 96 F0"
        )
        client.close()
        listener.close()
