"""Two meters in step: each end of the cable hears one of them alone, and never the other."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.duplicate import DuplicateVerdict, another_meter_finding
from busprobe.model.check import CheckOutcome
from busprobe.model.device import Device, ModelBlock, SunSpecMap
from busprobe.model.line import LineSettings, parse_link
from busprobe.session import events
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink
from busprobe.site.items import Item
from busprobe.site.verify import alone_check
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    PortParameters,
    StationParameters,
)
from busprobe_sim.meters.registers import RegisterMap, fixed
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.sunspec import MARKER, Nameplate, common_model
from busprobe_sim.ports.virtual import VirtualLink, run_virtual

BASE = 40000
LENGTH_M = 300.0
SERIALS = ("TF30-118204", "TF30-120977")
KNOWN = Device(1, sunspec=SunSpecMap(BASE, (ModelBlock(1, BASE + 2, 66),)))


def two_in_step() -> Line:
    """One model, one firmware, crystals that agree, 5 m from either end; equal drivers.

    45 m of cable between equal drivers let the nearer one win bit for bit (computed with a nodal
    model of the line).
    """
    line = Line(LineParameters(), 3)
    for position_m, serial in zip((5.0, LENGTH_M - 5.0), SERIALS, strict=True):
        plate = Nameplate(b"Trollfen", b"TF 30", b"", b"1.7.2", serial.encode())
        common = common_model(plate, 1).registers(0)
        registers = RegisterMap(
            [fixed(BASE, MARKER), fixed(BASE + 2, common), fixed(BASE + 70, (0xFFFF, 0))]
        )
        node = NodeParameters(position_m=position_m, settings=LineSettings(), lead_bits=2.0)
        line.add_station(
            StationParameters(1, node, turnaround_ms=20.0, loop_ms=0.0),
            RegisterServer(registers, ServerParameters((3,))),
        )
    return line


def plug_in(line: Line, position_m: float) -> VirtualLink:
    """The adapter, at some place of the cable."""
    return VirtualLink(line.open_port(PortParameters(NodeParameters(position_m=position_m))))


class Work:
    """A visit whose adapter is plugged in at one end, and then at the other."""

    def __init__(self) -> None:
        self.line = two_in_step()
        self.told: list[events.Event] = []
        opened = OpenedLink(plug_in(self.line, 0.0))
        self.job = Job(opened, parse_link("sim:bench"), self.told.append)
        self.job.devices[1] = KNOWN

    def look(self, end: int) -> tuple[str, tuple[str, ...]]:
        self.job.bus.link = plug_in(self.line, end * LENGTH_M)
        verdict = run_virtual(self.job.check_addresses((1,)))[1]
        return verdict.verdict, verdict.serials

    def codes(self) -> set[str]:
        return {code for code, address in self.job.findings if address == 1}


def test_each_end_hears_another_meter_and_that_tells_two() -> None:
    work = Work()
    assert work.look(0) == ("single", SERIALS[:1])
    assert not work.codes()
    assert {e.sender for e in work.line.log if "station" in e.sender} == {
        "station-0@1",
        "station-1@1",
    }
    assert work.look(1) == ("single", SERIALS[1:])
    assert work.codes() == {"another-meter"}
    (finding,) = work.job.findings.values()
    assert all(serial in finding.summary for serial in SERIALS)
    assert finding.probability == pytest.approx(0.8)
    # Back at the first end, it is still so.
    assert work.look(0) == ("single", SERIALS[:1])
    assert work.codes() == {"another-meter"}


def test_the_same_meter_again_is_nothing_new() -> None:
    work = Work()
    for _ in range(2):
        assert work.look(0) == ("single", SERIALS[:1])
    assert not work.codes()


def test_a_meter_that_was_moved_on_purpose_is_forgotten() -> None:
    work = Work()
    work.look(0)
    work.job.forget(1)
    work.job.devices[1] = KNOWN
    assert work.look(1) == ("single", SERIALS[1:])
    assert not work.codes()


def test_a_check_of_the_line_tells_it_too() -> None:
    work = Work()
    assert work.look(0) == ("single", SERIALS[:1])
    work.job.bus.link = plug_in(work.line, LENGTH_M)
    run_virtual(work.job.check_line((1,), listen_first_s=0.1))
    verdict = DuplicateVerdict(1, "single", 0.999, 8, SERIALS[1:], ())
    work.job.tell_of_duplicate(verdict, None)
    assert "another-meter" in work.codes()


def test_a_meter_that_is_not_the_one_before_does_not_pass_as_alone() -> None:
    item = Item("alone", "grid meter", "the line")
    verdict = DuplicateVerdict(1, "single", 0.999, 8, SERIALS[1:], ())
    finding = another_meter_finding(verdict, SERIALS)
    assert alone_check(item, verdict, ()).outcome is CheckOutcome.PASS
    made = alone_check(item, verdict, (finding,))
    assert made.outcome is CheckOutcome.FAIL
    assert made.found == "one device, and not the one before, serial number TF30-120977"
