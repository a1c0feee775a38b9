"""The fast sweep finds late devices by the address in their answer, in the time it promises."""

from __future__ import annotations

import random

import pytest

from busprobe.model.line import LineSettings
from busprobe.procedures.fast_sweep import (
    PATIENCE_NS,
    bound_s,
    fast_sweep,
    miss_probability,
)
from busprobe.procedures.sweep import Sweep, SweepPlan
from busprobe_sim.line.parameters import (
    LineParameters,
    NodeParameters,
    OnOtherRequest,
    PortParameters,
    StationParameters,
)
from busprobe_sim.ports.virtual import run_virtual
from tests.simulated_buses import MS, Registers, simulated_bus, station

QUIET = LineParameters(float_rate_hz=0.0)


def swept(
    *stations: StationParameters,
    listen_ms: int = 50,
    last: int = 40,
    port: PortParameters | None = None,
    servers: dict[int, Registers] | None = None,
    seed: int = 1,
) -> tuple[Sweep, float]:
    bus = simulated_bus(*stations, line=QUIET, port=port, servers=servers, seed=seed)
    state = Sweep(SweepPlan(tuple(range(1, last + 1))))
    run_virtual(fast_sweep(bus, state, listen_ns=listen_ms * MS))
    return state, bus.now() / 1e9


def test_quick_devices_cost_the_bound_and_no_more() -> None:
    state, took = swept(station(1), station(2), last=247)
    assert set(state.present) == {1, 2}
    assert len(state.silent) == 245
    bound = bound_s(LineSettings(9600), 247, 50 * MS, PATIENCE_NS)
    assert took <= 1.05 * bound
    # A pymodbus loop with 0.2 s and no retries takes 245 x 0.2 s for the absent ones.
    assert took <= 0.31 * 49.4


# Devices slower than the listening time: every library tried with a time-out of 0.1 s finds two of
# these four and one credits answers to wrong addresses, although every answer is on the line.
@pytest.mark.parametrize("listen_ms", [30, 50])
def test_late_answers_are_credited_to_their_senders(listen_ms: int) -> None:
    state, _ = swept(
        *(
            station(a, turnaround_ms=ms)
            for a, ms in ((3, 45.0), (7, 60.0), (11, 150.0), (15, 250.0))
        ),
        listen_ms=listen_ms,
    )
    assert set(state.present) == {3, 7, 11, 15}
    assert not state.garbled
    assert {11, 15} <= set(state.late)


@pytest.mark.parametrize("seed", range(8))
def test_drawn_buses_lose_nobody_and_invent_nobody(seed: int) -> None:
    rng = random.Random(seed)
    addresses = rng.sample(range(1, 41), 4)
    state, _ = swept(
        *(
            station(a, turnaround_ms=rng.uniform(5.0, 330.0), loop_ms=rng.uniform(0.0, 20.0))
            for a in addresses
        ),
        seed=seed,
    )
    assert set(state.present) == set(addresses)
    assert not state.garbled


def test_echo_and_latency_of_the_adapter_make_no_devices() -> None:
    port = PortParameters(NodeParameters(hears_itself=True), latency_ms=16.0)
    state, _ = swept(station(5), station(9, turnaround_ms=120.0), port=port)
    assert set(state.present) == {5, 9}
    assert state.echo


def test_silence_proves_no_more_than_the_short_listening() -> None:
    state, _ = swept(station(5), listen_ms=40)
    assert state.silence_proves_ns == 40_000_000


def test_a_device_that_gives_up_is_missed_as_stated() -> None:
    polite = station(5, turnaround_ms=120.0, on_other_request=OnOtherRequest.ABORT)
    state, _ = swept(polite)
    assert set(state.present) == set()
    assert miss_probability(LineSettings(9600)).gives_up == 1.0


def test_late_refusals_hide_as_often_as_stated() -> None:
    # (8 - 5 + 1) t_c / (8 t_c + 50 ms) = 7.1 % at 9600 8N1, t_c = 10 bit.
    stated = miss_probability(LineSettings(9600))
    assert stated.late_exception == pytest.approx(0.0714, abs=0.0005)
    assert stated.slower_than_ms == 500.0
    missed = sum(
        not swept(
            station(5, turnaround_ms=60.0 + 0.583 * n),
            servers={0: Registers(functions=())},
            last=8,
        )[0].present
        for n in range(100)
    )
    # 100 turn-arounds spread evenly over one slot of 58.3 ms: whole characters hide in 3 t_c of it
    # (5.4 %), and up to one character more where the first one is cut.
    assert 5 <= missed <= 7


def test_resumes_where_it_was_stopped() -> None:
    bus = simulated_bus(station(3), station(30), line=QUIET)
    state = Sweep(SweepPlan(tuple(range(1, 41))))
    run_virtual(fast_sweep(bus, state, should_stop=lambda: state.had_turn(1, 10)))
    assert set(state.present) == {3}
    assert not state.had_turn(1, 11)
    run_virtual(fast_sweep(bus, state))
    assert set(state.present) == {3, 30}


def test_collided_answers_at_one_address_are_told_as_garbled() -> None:
    node = NodeParameters(position_m=10.0)
    state, _ = swept(
        station(4, node=node),
        station(4, node=node),
        servers={0: Registers(0x1111), 1: Registers(0xEEEE)},
    )
    assert set(state.garbled) | set(state.present) == {4}
