"""Traffic on a healthy line: exact times, order, repeatability."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from busprobe.model.line import LineSettings, Parity
from busprobe_sim.line.parameters import LineParameters, NodeParameters, PortParameters
from tests.simulators.line.line_bench import MS, QUIET, answer, ask, heard, make, read, station


def test_times_of_one_exchange_are_exact() -> None:
    _, port, _ = make(station(1, turnaround_ms=20.0))
    sent = port.write(0, read(1, 4))
    # 10 bits a character at 9600 Bd; the default driver is on half a bit before the first.
    bit = 1e9 / 9600
    assert sent == round(0.5 * bit)
    chunk = port.next_arrival(200 * MS)
    assert chunk is not None
    assert chunk.data == answer(1, 4)
    end = sent + 80 * bit + 20 * MS + 13 * 10 * bit
    assert chunk.t_ns == pytest.approx(end, abs=5)
    assert port.now_ns == chunk.t_ns
    assert chunk.uncertainty_ns == 0


def test_nothing_arrives_from_an_absent_address_and_time_passes() -> None:
    _, port, _ = make(station(1))
    port.write(0, read(2))
    assert port.next_arrival(100 * MS) is None
    assert port.now_ns == 100 * MS


def test_a_deadline_inside_a_reply_delivers_what_is_there() -> None:
    _, port, _ = make(station(1, turnaround_ms=20.0))
    port.write(0, read(1, 4))
    whole = answer(1, 4)
    # 5.5 characters into the reply.
    until = round((80.5 + 55) * 1e9 / 9600) + 20 * MS
    first = port.next_arrival(until)
    assert first is not None
    assert first.data == whole[:5]
    assert port.next_arrival(until) is None
    assert port.now_ns == until
    rest = port.next_arrival(200 * MS)
    assert rest is not None
    assert rest.data == whole[5:]


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([1200, 9600, 19200, 115200]),
    st.sampled_from(list(Parity)),
    st.integers(1, 2),
    st.integers(1, 100),
    st.floats(-0.01, 0.01),
)
def test_every_bit_computed_gives_the_same_as_passing_through(
    baud: int, parity: Parity, stop_bits: int, count: int, clock_error: float
) -> None:
    form = LineSettings(baud, parity, stop_bits)
    device = station(1, settings=form, clock_error=clock_error)
    port = PortParameters(NodeParameters(settings=form), reports_marks=True)
    passed = make(device, port=port)[1]
    computed = make(device, port=port, line=replace(QUIET, force_bits=True))[1]
    listen_ms = 50 + 1000 * 300 * 12 / baud
    one, other = (ask(p, read(1, count), listen_ms) for p in (passed, computed))
    assert heard(one) == heard(other) == answer(1, count)
    assert [c.marks for c in one] == [c.marks for c in other]
    # By its own clock the receiver sees the last character end up to 2 % of a character apart.
    assert one[0].t_ns == pytest.approx(other[0].t_ns, abs=0.025 * form.character_ns + 5)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 8 * MS), min_size=1, max_size=30), st.booleans())
def test_asking_often_hears_the_same_bytes(steps: list[int], force_bits: bool) -> None:
    line = replace(QUIET, force_bits=force_bits)
    _, port, _ = make(station(1), station(2, turnaround_ms=9.0), line=line)
    port.write(0, read(1, 4))
    data, t = b"", 0
    for step in steps:
        t += step
        while (chunk := port.next_arrival(t)) is not None:
            assert chunk.t_ns <= t
            data += chunk.data
    while (chunk := port.next_arrival(300 * MS)) is not None:
        data += chunk.data
    assert data == answer(1, 4)


def test_two_ports_hear_the_same_traffic() -> None:
    bus, port, _ = make(station(1))
    other = bus.open_port(PortParameters(NodeParameters(position_m=50.0), reports_marks=True))
    assert heard(ask(port, read(1))) == answer(1)
    data = b""
    while (chunk := other.next_arrival(bus.now_ns)) is not None:
        data += chunk.data
    assert data == read(1) + answer(1)


def test_a_port_that_nobody_reads_loses_nothing() -> None:
    bus, port, _ = make(station(1))
    other = bus.open_port(PortParameters(NodeParameters(position_m=50.0)))
    for _ in range(300):
        assert heard(ask(port, read(1), 30.0)) == answer(1)
    assert len(bus.things) < 300
    data = b""
    while (chunk := other.next_arrival(bus.now_ns)) is not None:
        data += chunk.data
    assert data == 300 * (read(1) + answer(1))


def test_an_echo_comes_back_first() -> None:
    port = PortParameters(NodeParameters(hears_itself=True), reports_marks=True)
    _, host, _ = make(station(1), port=port)
    assert heard(ask(host, read(1))) == read(1) + answer(1)


def test_bytes_written_while_sending_follow_without_a_gap() -> None:
    bus, port, devices = make(station(1))
    request = read(1)
    port.write(0, request[:3])
    port.write(0, request[3:])
    assert heard([c for c in [port.next_arrival(100 * MS)] if c]) == answer(1)
    assert devices[0].heard_requests == 1
    assert bus.log[0].t_end_ns == pytest.approx(bus.log[1].t_ns, abs=1)


@pytest.mark.parametrize("latency_ms", [1.0, 16.0])
def test_a_usb_adapter_delivers_late_and_in_packets(latency_ms: float) -> None:
    port = PortParameters(latency_ms=latency_ms)
    bus, host, _ = make(station(1, turnaround_ms=20.0), port=port)
    chunks = ask(host, read(1, 60), 400.0)
    assert heard(chunks) == answer(1, 60)
    true_end = bus.log[-1].t_end_ns
    assert true_end <= chunks[-1].t_ns <= true_end + chunks[-1].uncertainty_ns
    assert chunks[-1].uncertainty_ns == latency_ms * MS
    assert all(chunk.marks is None for chunk in chunks)
    assert max(len(chunk.data) for chunk in chunks) <= latency_ms * 0.96 + 2


def test_a_full_packet_does_not_wait_for_the_timer() -> None:
    form = LineSettings(115200)
    port = PortParameters(NodeParameters(settings=form), latency_ms=16.0)
    _, host, _ = make(station(1, settings=form), port=port)
    chunks = ask(host, read(1, 100), 200.0)
    assert heard(chunks) == answer(1, 100)
    assert max(len(chunk.data) for chunk in chunks) == 62


def test_the_log_holds_every_transmission() -> None:
    bus, port, _ = make(station(1), station(2))
    ask(port, read(1))
    ask(port, read(2))
    assert [entry.data for entry in bus.log] == [read(1), answer(1), read(2), answer(2)]
    assert [entry.sender for entry in bus.log][::2] == [port.name, port.name]
    assert bus.log[1].sender.startswith("station")


def test_the_same_seed_gives_the_same_run_and_another_does_not() -> None:
    def run(seed: int) -> list[int]:
        device = replace(station(1), loop_ms=10.0)
        _, port, _ = make(device, line=LineParameters(), seed=seed)
        return [c.t_ns for _ in range(5) for c in ask(port, read(1))]

    assert run(3) == run(3)
    assert run(3) != run(4)


def test_adding_a_device_does_not_change_the_luck_of_another() -> None:
    def run(*more: int) -> list[int]:
        devices = [replace(station(1), loop_ms=10.0), *(station(a) for a in more)]
        _, port, _ = make(*devices)
        return [c.t_ns for _ in range(5) for c in ask(port, read(1))]

    assert run() == run(7)


def test_a_change_of_settings_is_obeyed_by_both_sides() -> None:
    fast = LineSettings(19200, Parity.EVEN)
    _, port, devices = make(station(1))
    assert heard(ask(port, read(1))) == answer(1)
    devices[0].configure(fast)
    assert ask(port, read(1)) == []
    port.configure(fast)
    assert heard(ask(port, read(1))) == answer(1)
