"""Before the first request: another master is heard at whatever settings, and who never stops."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.bus.bus import Bus
from busprobe.bus.manners import Manners
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.listen_first import listen_first
from busprobe.procedures.progress import ignore
from busprobe.wire import pdu
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    MasterParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.physics.receiver import classic
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from busprobe_sim.scenario.build_line import port_parameters, station_parameters
from busprobe_sim.scenario.library import read_scenario
from tests.simulated_buses import Registers

QUIET = LineParameters(float_rate_hz=0.0)
READ = pdu.read_registers(3, 40072, 20)


def heard(
    line: LineParameters = QUIET, talk: LineSettings | None = None, *, never_stops: bool = False
) -> tuple[Manners, Bus, bool]:
    """Listen first at 9600 8N1; also whether anything was sent by us."""
    simulated = Line(line, 5)
    if talk is not None:
        node = NodeParameters(10.0, talk)
        station = StationParameters(1, node, never_stops=never_stops)
        simulated.add_station(station, Registers())
        if not never_stops:
            asked = ((1, READ),)
            simulated.add_master(MasterParameters(NodeParameters(30.0, talk), asked, 700.0))
    port = simulated.open_port(PortParameters(NodeParameters(20.0, comparator=classic())))
    bus = Bus(VirtualLink(port))
    manners = run_virtual(listen_first(bus, 3.0, ignore, lambda: False))
    return manners, bus, port.name in {entry.sender for entry in simulated.log}


@pytest.mark.parametrize(
    "talk",
    [
        LineSettings(19200, Parity.EVEN),
        LineSettings(115200),
        LineSettings(4800),
        LineSettings(2400),
    ],
)
def test_a_master_at_other_settings_is_recognised_and_nothing_is_sent(talk: LineSettings) -> None:
    manners, bus, sent = heard(talk=talk)
    assert manners.master
    assert manners.settings is not None
    assert manners.settings.baud == talk.baud
    assert manners.addresses == (1,)
    assert bus.line == LineSettings()
    assert not sent


def test_a_master_at_the_settings_in_force_takes_no_longer_listening() -> None:
    manners, bus, sent = heard(talk=LineSettings())
    assert (manners.master, manners.settings, sent) == (True, None, False)
    assert bus.now() == pytest.approx(3e9, rel=0.02)


def test_a_quiet_line_is_quiet_after_the_usual_time() -> None:
    manners, bus, _ = heard()
    assert manners.quiet
    assert not manners.master
    assert bus.now() == pytest.approx(3e9, rel=0.02)


def test_strays_and_noise_are_no_master() -> None:
    floating = LineParameters(biases=(), float_rate_hz=15.0)
    noisy = LineParameters(float_rate_hz=0.0, burst_rate_hz=10.0, burst_us=(200.0, 2000.0))
    for line in (floating, noisy):
        manners, bus, sent = heard(line)
        assert not manners.quiet
        assert (manners.master, manners.endless, sent) == (False, False, False)
        assert bus.line == LineSettings()


def test_somebody_who_never_stops_is_told_apart_from_a_master() -> None:
    manners, _, _ = heard(talk=LineSettings(), never_stops=True)
    assert manners.endless
    assert not manners.master


def test_a_scenario_can_say_all_of_this(tmp_path: Path) -> None:
    path = tmp_path / "locked.yaml"
    path.write_text(
        """
title: A device that has locked up
story: It sends without end.
line:
  adapter: {packet_bytes: 10, transceiver: {after_framing_error: "16550"}}
devices:
  - name: locked meter
    address: 2
    type: trollfen-tf30
    serial: "1"
    timing: {never_stops: true}
site: {}
truth: []
"""
    )
    scenario = read_scenario(str(path))
    port = port_parameters(scenario.line)
    assert port.packet_bytes == 10
    assert port.node.after_framing_error == "16550"
    assert station_parameters(scenario.devices[0], scenario.line).never_stops
