"""What a live run finds is what replaying its recording finds."""

from __future__ import annotations

from pathlib import Path

import pytest

from busprobe.bus.bus import Bus
from busprobe.model.exchange import Exchange
from busprobe.model.line import parse_link
from busprobe.procedures.sweep import Sweep, SweepPlan, sweep
from busprobe.recording.replaying import open_replay
from busprobe.recording.store import create_recording
from busprobe_sim.line.parameters import LineParameters, PortParameters
from busprobe_sim.ports.virtual import run_virtual
from tests.recording.recordings import STARTED
from tests.simulated_buses import Registers, simulated_bus, station

PLAN = SweepPlan(addresses=tuple(range(1, 13)))

BUSES = {
    "healthy": lambda: simulated_bus(station(3), station(7)),
    "slow adapter": lambda: simulated_bus(
        station(3), station(7), port=PortParameters(latency_ms=16.0)
    ),
    "two on one address": lambda: simulated_bus(
        station(5), station(5, turnaround_ms=20.4), servers={1: Registers(value=0x00FF)}
    ),
    "late device": lambda: simulated_bus(station(2, turnaround_ms=140.0), station(4)),
    "floating line": lambda: simulated_bus(
        station(3), station(9), line=LineParameters(biases=(), float_rate_hz=20.0)
    ),
}


@pytest.mark.parametrize("kind", BUSES)
def test_a_replayed_sweep_is_the_sweep(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    bus = BUSES[kind]()
    assert bus.settings is not None
    recorder = create_recording(
        path,
        endpoint=bus.link.endpoint,
        framing="rtu",
        version="0.1.0",
        started=STARTED,
        started_t_ns=bus.now(),
        arrival_uncertainty_ns=bus.link.arrival_uncertainty_ns,
    )
    recorder.settings(bus.now(), bus.settings)
    live: list[Exchange] = []
    bus.on_chunk, bus.on_exchange = recorder.chunk, live.append
    found = run_virtual(sweep(bus, Sweep(PLAN)))
    assert recorder.close() is None
    assert live

    link, _ = open_replay(parse_link(f"replay:{path}"))
    replayed: list[Exchange] = []
    again = Bus(link, on_exchange=replayed.append)
    found_again = run_virtual(sweep(again, Sweep(PLAN)))
    assert link.unmatched == 0
    assert found_again.present.keys() == found.present.keys()
    assert found_again.garbled == found.garbled
    assert found_again.silent == found.silent
    assert found_again.echo == found.echo

    assert replayed == live
