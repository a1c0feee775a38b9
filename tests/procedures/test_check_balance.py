"""The balance on simulated buses: polling in turn, holding sources back, stopping."""

from __future__ import annotations

import pytest

from busprobe.bus.bus import Bus
from busprobe.diagnosis.balance import BalanceVerdict, MeterRole, Positive, Role, Sign
from busprobe.procedures.check_balance import BalanceCheck, BalanceMeter, BalancePlan
from busprobe.procedures.identify import identify
from busprobe.procedures.operator import HandRequest
from busprobe.procedures.read_meters import MeterReader
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import SimulatedBus, load_scenario

S = 1_000_000_000


class Colleague:
    """Simulated hands, or somebody who refuses."""

    def __init__(self, bus: SimulatedBus, *, refuses: bool = False) -> None:
        self._bus, self._refuses = bus, refuses
        self.asked: list[HandRequest] = []

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self.asked.append(request)
        if not self._refuses:
            assert request.source is not None
            assert self._bus.hands.curtail(request.source, request.share, now_ns + S)

    def answer(self) -> bool | None:
        return not self._refuses


def check_of(
    simulated: SimulatedBus,
    roles: dict[int, tuple[str, MeterRole]],
    plan: BalancePlan,
    operator: Colleague | None = None,
) -> BalanceCheck:
    bus = Bus(simulated.open_link())

    async def make() -> BalanceCheck:
        meters = []
        for address, (name, known) in roles.items():
            found = await identify(bus, address)
            reader = MeterReader(bus, found.device, measured_only=True)
            meters.append(BalanceMeter(name, reader, known))
        return BalanceCheck(meters, plan, operator)

    return run_virtual(make())


ROLES = {
    1: ("grid", MeterRole(Role.GRID)),
    2: ("generator", MeterRole(Role.GENERATOR, Positive.UNKNOWN, 9000.0)),
}


def test_a_reversed_generator_meter_is_found_by_holding_the_generator_back() -> None:
    simulated = load_scenario("reversed-generator-meter").build()
    colleague = Colleague(simulated)
    plan = BalancePlan(curtail=("generator",), hold_s=20.0, baseline_s=12.0)
    check = check_of(simulated, ROLES, plan, colleague)
    found = run_virtual(check.run())
    assert found.verdict is BalanceVerdict.FAULT
    assert found.meter("generator").sign is Sign.REVERSED
    assert found.meter("generator").ratio == 1.0
    assert [r.source for r in colleague.asked] == [2] * len(colleague.asked)
    assert [r.on for r in colleague.asked[:2]] == [False, True]
    assert len(check.watch.marks) == len(colleague.asked)


def test_it_stops_as_soon_as_it_is_sure() -> None:
    check = check_of(
        load_scenario("reversed-generator-meter").build(), ROLES, BalancePlan(duration_s=600.0)
    )
    found = run_virtual(check.run())
    assert found.meter("generator").sign is Sign.REVERSED
    assert found.duration_s < 300.0


def test_readings_keep_their_own_instants() -> None:
    check = check_of(
        load_scenario("reversed-generator-meter").build(), ROLES, BalancePlan(duration_s=20.0)
    )
    run_virtual(check.run())
    grid, generator = (check.watch.series[name].t_s for name in ("grid", "generator"))
    assert len(grid) == len(generator)
    # An answer at 9600 Bd takes its time: the second meter is never read at the same instant.
    assert all(0.02 < b - a < 0.9 for a, b in zip(grid, generator, strict=True))


def test_a_refusal_ends_the_test_with_what_is_known() -> None:
    simulated = load_scenario("reversed-generator-meter").build()
    colleague = Colleague(simulated, refuses=True)
    check = check_of(simulated, ROLES, BalancePlan(curtail=("generator",)), colleague)
    found = run_virtual(check.run())
    assert len(colleague.asked) == 1
    assert check.watch.marks == ()
    assert found.duration_s < 40.0


def test_it_can_be_stopped_at_once() -> None:
    check = check_of(
        load_scenario("reversed-generator-meter").build(), ROLES, BalancePlan(duration_s=600.0)
    )
    polls = []
    check.on_poll = polls.append
    check.should_stop = lambda: len(polls) >= 7
    run_virtual(check.run())
    assert len(polls) == 7


@pytest.mark.parametrize("name", ["healthy"])
def test_a_right_site_gives_no_fault(name: str) -> None:
    roles = {
        1: ("grid", MeterRole(Role.GRID)),
        10: ("hybrid", MeterRole.usual(Role.HYBRID, 8000.0)),
    }
    check = check_of(load_scenario(name).build(), roles, BalancePlan(duration_s=60.0))
    found = run_virtual(check.run())
    assert found.verdict in (BalanceVerdict.CORRECT, BalanceVerdict.UNDECIDED)
    assert found.meter("hybrid").sign is not Sign.REVERSED
