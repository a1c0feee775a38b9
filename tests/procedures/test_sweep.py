"""Sweeps on simulated lines: nobody missed, nobody invented, and close to the physical bound."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busprobe.model.line import LineSettings
from busprobe.procedures.progress import Progress
from busprobe.procedures.sweep import (
    Sweep,
    SweepPlan,
    bound_s,
    in_likely_order,
    sweep,
    whole_line,
)
from busprobe_sim.line.parameters import NodeParameters, OnOtherRequest, PortParameters
from busprobe_sim.ports.virtual import run_virtual
from simulated_buses import MS, Registers, simulated_bus, station


def test_the_whole_line_is_1_to_247_and_nothing_else() -> None:
    # Modbus over Serial Line V1.02, section 2.2.
    assert sorted(whole_line()) == list(range(1, 248))
    assert whole_line()[0] == 1


def test_likely_addresses_come_first() -> None:
    assert in_likely_order([200, 3, 1, 150]) == (1, 3, 150, 200)


def test_two_meters_are_found_and_nobody_else() -> None:
    bus = simulated_bus(station(1), station(2))
    state = run_virtual(sweep(bus, Sweep(SweepPlan(whole_line()))))
    assert sorted(state.present) == [1, 2]
    assert len(state.silent) == 245
    assert not state.garbled


def test_silence_proves_that_nobody_answers_within_the_longest_listening() -> None:
    slow = 300 * MS
    state = run_virtual(sweep(simulated_bus(station(1)), Sweep(SweepPlan(whole_line()))))
    assert state.silence_proves_ns == slow
    # One round only: as long as was listened in it, which follows the quickest device.
    quick = SweepPlan(whole_line(), second_round=False)
    state = run_virtual(sweep(simulated_bus(station(1)), Sweep(quick)))
    assert state.silence_proves_ns is not None
    assert quick.shortest_listen_ns <= state.silence_proves_ns < slow
    # A device just slower than that which drops its answer is indeed silent, a quicker one is not.
    for ms, found in ((280.0, {1, 9}), (320.0, {1})):
        shy = station(9, turnaround_ms=ms, on_other_request=OnOtherRequest.ABORT)
        state = run_virtual(sweep(simulated_bus(station(1), shy), Sweep(SweepPlan((1, 9, 8)))))
        assert set(state.present) == found
    nobody_silent = Sweep(SweepPlan((1,)))
    assert run_virtual(sweep(simulated_bus(station(1)), nobody_silent)).silence_proves_ns is None


def test_no_byte_goes_to_broadcast_or_reserved_addresses_and_only_reads() -> None:
    bus = simulated_bus(station(1), station(247))
    run_virtual(sweep(bus, Sweep(SweepPlan(whole_line()))))
    log = bus.link.port.line.log  # type: ignore[attr-defined]
    requests = [entry.data for entry in log if entry.sender.startswith("port")]
    assert requests
    assert all(1 <= data[0] <= 247 for data in requests)
    assert {data[1] for data in requests} <= {3, 4}


def test_the_first_device_is_found_at_once() -> None:
    bus = simulated_bus(station(1))
    times: list[int] = []
    run_virtual(
        sweep(
            bus,
            Sweep(SweepPlan(whole_line(), second_round=False)),
            on_found=lambda address, exchange: times.append(bus.now()),
        )
    )
    # Request 8.3 ms, turn-around 20 ms, answer 9.4 ms, and silences around them.
    assert times[0] < 60 * MS


def test_one_round_costs_no_more_than_a_few_percent_over_the_bound() -> None:
    bus = simulated_bus(station(1), station(2))
    plan = SweepPlan(
        whole_line(), first_listen_ns=100 * MS, shortest_listen_ns=100 * MS, second_round=False
    )
    start = bus.now()
    state = run_virtual(sweep(bus, Sweep(plan)))
    took = (bus.now() - start) / 1e9
    turnarounds = [e.turnaround_ns or 0 for e in state.present.values()]
    bound = bound_s(LineSettings(), 245, 100 * MS, turnarounds)
    # The published bound for 100 ms at 9600 8N1 with two devices is 26.6 s for a 1-register answer.
    assert bound == pytest.approx(26.6, abs=0.1)
    assert took <= 1.02 * bound


def test_a_slow_device_is_found_in_the_second_round() -> None:
    bus = simulated_bus(station(1), station(77, turnaround_ms=250.0))
    state = run_virtual(sweep(bus, Sweep(SweepPlan(whole_line()))))
    assert sorted(state.present) == [1, 77]


def test_a_late_answer_names_its_sender_and_not_the_address_being_asked() -> None:
    bus = simulated_bus(station(40, turnaround_ms=130.0))
    found: list[int] = []
    state = run_virtual(
        sweep(
            bus,
            Sweep(SweepPlan(whole_line(), second_round=False)),
            on_found=lambda address, exchange: found.append(address),
        )
    )
    assert found == [40]
    assert list(state.present) == [40]
    assert 40 in state.late


def test_a_slow_device_at_the_last_address_is_heard_out() -> None:
    bus = simulated_bus(station(1), station(10, turnaround_ms=260.0))
    plan = SweepPlan((1, 4, 10), second_round=False)
    state = run_virtual(sweep(bus, Sweep(plan)))
    assert sorted(state.present) == [1, 10]


def test_a_device_that_knows_only_function_4_and_ignores_others_is_found() -> None:
    bus = simulated_bus(station(9), servers={0: Registers(functions=(4,), ignores_unknown=True)})
    state = run_virtual(sweep(bus, Sweep(SweepPlan((8, 9, 10)))))
    assert list(state.present) == [9]


def test_an_echo_is_no_device() -> None:
    node = NodeParameters(hears_itself=True)
    bus = simulated_bus(station(3), port=PortParameters(node=node))
    state = run_virtual(sweep(bus, Sweep(SweepPlan(tuple(range(1, 20))))))
    assert list(state.present) == [3]
    assert state.echo


def test_two_devices_that_always_collide_are_not_called_silent() -> None:
    near = NodeParameters(position_m=10.0)
    far = NodeParameters(position_m=12.0)
    bus = simulated_bus(
        station(1, node=near, turnaround_ms=20.0),
        station(1, node=far, turnaround_ms=20.3),
        servers={0: Registers(0x0F55), 1: Registers(0xB3A1)},
    )
    state = run_virtual(sweep(bus, Sweep(SweepPlan(tuple(range(1, 5))))))
    assert 1 in {*state.present, *state.garbled}
    assert 1 not in state.silent


def test_a_sweep_can_be_stopped_and_resumed_without_asking_twice() -> None:
    bus = simulated_bus(station(1), station(30))
    state = Sweep(SweepPlan(tuple(range(1, 41)), second_round=False))
    asked: list[Progress] = []
    run_virtual(sweep(bus, state, asked.append, should_stop=lambda: len(asked) >= 10))
    assert len(asked) == 10
    assert list(state.present) == [1]
    run_virtual(sweep(bus, state, asked.append))
    assert len(asked) == 40
    assert sorted(state.present) == [1, 30]
    assert asked[-1].total == 40


def test_remaining_time_falls_to_nothing() -> None:
    bus = simulated_bus(station(1))
    seen: list[Progress] = []
    run_virtual(sweep(bus, Sweep(SweepPlan(tuple(range(1, 30)))), seen.append))
    remaining = [p.remaining_s for p in seen if p.remaining_s is not None]
    assert remaining[0] == max(remaining)
    assert remaining[-1] < 0.5


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    addresses=st.sets(st.integers(1, 247), min_size=1, max_size=6),
    data=st.data(),
)
def test_every_device_with_up_to_250_ms_is_found_and_none_invented(
    addresses: set[int], data: st.DataObject
) -> None:
    turnarounds = {a: data.draw(st.floats(2.0, 250.0)) for a in sorted(addresses)}
    bus = simulated_bus(*(station(a, turnaround_ms=t) for a, t in turnarounds.items()))
    state = run_virtual(sweep(bus, Sweep(SweepPlan(whole_line()))))
    assert set(state.present) == addresses
    assert not state.garbled


@pytest.mark.parametrize("apart", [1, 2])
@pytest.mark.parametrize(
    ("one_ms", "other_ms"),
    [(300, 300), (300, 405), (405, 300), (345, 300), (435, 435), (465, 360)],
)
def test_two_slow_neighbours_that_answer_into_each_other_are_both_found(
    one_ms: float, other_ms: float, apart: int
) -> None:
    bus = simulated_bus(
        station(40, turnaround_ms=one_ms), station(40 + apart, turnaround_ms=other_ms)
    )
    state = run_virtual(sweep(bus, Sweep(SweepPlan(tuple(range(36, 50))))))
    assert sorted(state.present) == [40, 40 + apart]
    assert not state.garbled
    assert sorted(state.late) == [40, 40 + apart]
