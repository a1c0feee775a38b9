"""What the hands of a trainee do on a running bus: the other master, the heater, the time."""

from __future__ import annotations

import pytest

from busprobe.model.errors import InputError
from busprobe_sim.ports import paced
from busprobe_sim.ports.paced import PacedLink
from busprobe_sim.scenario import load_scenario
from busprobe_sim.training import seed_for

S = 1_000_000_000


def test_the_manager_is_silent_while_it_is_unplugged() -> None:
    seed = seed_for("who-is-talking", "manager-polls")
    bus = load_scenario(f"who-is-talking@{seed}").build()
    bus.hands.unplug_master(10 * S)
    bus.hands.unplug_master(20 * S, plugged=True)
    bus.line.run_until(30 * S)
    asked = [e.t_ns / S for e in bus.line.log if e.sender.startswith("master")]
    assert len([t for t in asked if t < 10.0]) in (9, 10, 11)
    assert not [t for t in asked if 10.0 <= t < 20.0]
    assert len([t for t in asked if t >= 20.0]) in (9, 10, 11)


def test_without_a_manager_nothing_happens() -> None:
    bus = load_scenario("healthy").build()
    bus.hands.unplug_master(0)
    bus.line.run_until(2 * S)
    assert bus.line.log == []


def test_the_heater_is_carried_to_another_feeder_and_back() -> None:
    bus = load_scenario("clamps-everywhere@1").build()
    site = bus.site

    def watts(feeder: str, t_ns: int) -> float:
        state = site.state(t_ns)
        return sum(
            (v * i.conjugate()).real
            for v, i in zip(state.voltages, state.currents[feeder], strict=True)
        )

    before = watts("wheel house", 5 * S)
    bus.hands.carry("wheel house")
    bus.hands.plug("L1", 2000.0, True, 6 * S)
    assert watts("wheel house", 7 * S) - before == pytest.approx(2000.0, rel=0.15)
    bus.hands.plug("L1", 2000.0, False, 8 * S)
    bus.hands.carry("")
    pump = watts("heat pump", 9 * S)
    bus.hands.plug("L1", 2000.0, True, 10 * S)
    assert watts("heat pump", 11 * S) - pump == pytest.approx(2000.0, rel=0.15)
    with pytest.raises(InputError, match="no socket"):
        bus.hands.carry("moon")


def test_whoever_holds_a_source_back_goes_by_the_papers() -> None:
    name = "the-second-roof"
    bus = load_scenario(f"{name}@{seed_for(name, 'exchanged-with-kitchen')}").build()
    full = sum(bus.site.source_power_w("boathouse roof", 60 * S))
    assert bus.hands.curtail(2, 0.1, 61 * S)
    held = sum(bus.site.source_power_w("boathouse roof", 90 * S))
    assert 0.0 < held <= 600.0 * 1.01 < full


def test_time_runs_faster_from_now_on(monkeypatch: pytest.MonkeyPatch) -> None:
    wall = [0]
    monkeypatch.setattr(paced.time, "monotonic_ns", lambda: wall[0])
    link = PacedLink(load_scenario("healthy").build().open_port())
    wall[0] = 2 * S
    assert link.now() == 2 * S
    link.set_speed(10.0)
    assert link.now() == 2 * S
    wall[0] = 3 * S
    assert link.now() == 12 * S
    link.set_speed(1.0)
    wall[0] = 5 * S
    assert link.now() == 14 * S
    with pytest.raises(InputError):
        link.set_speed(0.0)
