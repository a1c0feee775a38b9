"""Requests at the limits of understanding: one of two devices alone."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.bus.bus import Bus
from busprobe.diagnosis.duplicate.alone import LIMITS_ALIKE, log_cleaner, others
from busprobe.diagnosis.duplicate.margins import PAUSE_AFTER, MarginSearch
from busprobe.model.line import LineSettings, Parity
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.wire import pdu
from busprobe_sim.line.line import Line
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters
from busprobe_sim.meters.registers import RegisterMap, fixed
from busprobe_sim.meters.server import RegisterServer, ServerParameters
from busprobe_sim.meters.sunspec import MARKER, Nameplate, common_model
from busprobe_sim.physics.levels import DRIVER_WEAK
from busprobe_sim.physics.uart import AfterFramingError
from busprobe_sim.ports.virtual import VirtualLink, run_virtual
from simulated_buses import MS, frames_asked, simulated_bus, station


def search(fast: float, slow: float) -> list[float]:
    """Offsets asked of a device that understands rates from -slow to fast."""
    margins = MarginSearch()
    asked = []
    while (offset := margins.next_offset()) is not None:
        asked.append(offset)
        margins.take(-slow <= offset <= fast)
        assert len(asked) < 40
    return asked


@given(st.floats(0.02, 0.085), st.floats(0.02, 0.085))
def test_both_limits_are_found_closely(fast: float, slow: float) -> None:
    asked = search(fast, slow)
    for side, limit in ((1, fast), (-1, slow)):
        heard = [side * o for o in asked if side * o > 0 and -slow <= o <= fast]
        assert limit - max(heard) < 0.00025
    assert len(asked) <= 32


@pytest.mark.parametrize("overlooked", [9.5, 8.5, 7.5])
@given(st.floats(-0.008, 0.008))
def test_limits_where_a_receiver_has_them_are_found_soon(overlooked: float, clock: float) -> None:
    """Half a bit in those up to the stop bit; at slow rates that may be overlooked."""
    assert len(search(0.5 / 9.5 + clock, 0.5 / overlooked - clock)) <= 20


def test_a_line_with_parity_is_asked_closer() -> None:
    assert MarginSearch(Parity.EVEN).next_offset() == pytest.approx(0.5 / 10.5)
    assert MarginSearch().next_offset() == pytest.approx(0.5 / 9.5)


def test_an_adapter_that_does_not_take_other_rates_is_left_alone() -> None:
    margins = MarginSearch()
    count = 0
    while margins.next_offset() is not None:
        margins.take(False)
        count += 1
    assert margins.given_up
    assert count <= 4


def test_a_receiver_follows_a_rate_that_is_five_percent_off() -> None:
    """Between 5.0 and 5.5 % at 8N1 (computed with an independent UART model)."""
    bus = simulated_bus(station(1))
    request = pdu.read_registers(3, 0, 2)
    heard = {}
    for percent in (3.0, 4.5, 7.0):
        for side in (1, -1):
            at = replace(LineSettings(), baud=round(9600 * (1 + side * percent / 100)))
            exchange = run_virtual(bus.exchange(1, request, listen_ns=100 * MS, sent_at=at))
            heard[side * percent] = exchange.answer is not None
    assert heard == {3.0: True, 4.5: True, 7.0: False, -3.0: True, -4.5: True, -7.0: False}
    assert bus.settings == LineSettings()


def test_nothing_is_written_at_another_rate() -> None:
    bus = simulated_bus(station(1))
    with pytest.raises(ValueError, match="permit"):
        run_virtual(
            bus.exchange(1, bytes.fromhex("06 0000 0001"), listen_ns=MS, sent_at=LineSettings(9800))
        )


def meter(serial: bytes) -> RegisterServer:
    """A device that holds a SunSpec common model."""
    plate = Nameplate(b"Trollfen", b"TF 30", b"", b"1.7.2", serial)
    common = common_model(plate, 1).registers(0)
    return RegisterServer(
        RegisterMap([fixed(40000, MARKER), fixed(40002, common)]), ServerParameters()
    )


def test_a_device_that_keeps_quiet_when_it_hears_another_is_found_with_its_serial_number() -> None:
    quick, quiet = station(1, turnaround_ms=10.0), station(1, turnaround_ms=60.0)
    quick = replace(quick, node=replace(quick.node, clock_error=0.002))
    quiet = replace(quiet, node=replace(quiet.node, clock_error=-0.002), listens_first=True)
    bus = simulated_bus(quick, quiet, servers={0: meter(b"TF30-118204"), 1: meter(b"TF30-120977")})
    verdict = run_virtual(check_duplicate(bus, 1))
    assert verdict.verdict == "duplicate"
    assert set(verdict.serials) == {"TF30-118204", "TF30-120977"}


@given(st.integers(0, 8), st.integers(0, 8), st.integers(0, 8), st.integers(0, 8))
def test_cleaner_answers_at_the_limits_count_and_dirtier_ones_do_not(
    inside: int, spoiled: int, outside: int, dirty: int
) -> None:
    log = log_cleaner((inside, inside + spoiled), (outside, outside + dirty))
    assert log > -2.0  # that of limits that are alike, LIMITS_ALIKE = 0.15
    assert LIMITS_ALIKE > 0.14
    if outside * spoiled <= inside * dirty:
        assert log <= 0.0
    assert log_cleaner((0, 6), (6, 6)) > 4.0


def test_readings_of_another_device_are_known_by_most_registers() -> None:
    def content(*registers: int) -> bytes:
        return bytes((2 * len(registers),)) + b"".join(v.to_bytes(2, "big") for v in registers)

    mine = [content(2300 + i, 2310, 2290 - i, 512, 7001, 18 + i) for i in range(3)]
    other = content(2301, 2310, 120, 4012, 911, 300)
    assert others(mine, [mine[0], other]) == 1
    assert others(mine, [content(2305, 2312, 2291, 530, 7002, 900)]) == 0
    assert others(mine[:2], [other]) is None


@pytest.mark.parametrize("parity", [Parity.NONE, Parity.EVEN])
def test_one_request_pauses_so_that_who_restarts_at_a_missing_stop_bit_is_heard_alone(
    parity: Parity,
) -> None:
    """The other one understands faster and slower rates, and drowns it at all of them."""
    settings = LineSettings(9600, parity)
    strong = station(1, turnaround_ms=10.0, loop_ms=0.0)
    weak = strong = replace(strong, node=replace(strong.node, settings=settings))
    strong = replace(strong, node=replace(strong.node, position_m=1.0, clock_error=0.001))
    weak = replace(
        weak,
        node=replace(
            weak.node,
            position_m=300.0,
            driver=DRIVER_WEAK,
            after_framing_error=AfterFramingError.RESTART,
        ),
    )
    line = Line(LineParameters(), 1)
    line.add_station(strong, meter(b"TF30-118204"))
    line.add_station(weak, meter(b"TF30-120977"))
    bus = Bus(VirtualLink(line.open_port(PortParameters(NodeParameters(settings=settings)))))
    verdict = run_virtual(check_duplicate(bus, 1))
    assert verdict.verdict == "duplicate"
    assert set(verdict.serials) == {"TF30-118204", "TF30-120977"}
    assert any(e.sender.startswith("port") and len(e.data) == PAUSE_AFTER for e in line.log)
    assert all(frame[:1] == b"\x01" and len(frame) == 8 for frame in frames_asked(line.log))
