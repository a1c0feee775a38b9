"""A change of address or settings within a job: findings follow, stops are heard, ends are told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from busprobe.bus.bus import Bus
from busprobe.model.errors import InputError, LinkError
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.model.line import LineSettings, parse_link
from busprobe.procedures.change_address import (
    ChangeState,
    ChangeStopped,
    Place,
    offered_settings,
    return_plan,
)
from busprobe.session import events
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink
from busprobe.session.values import FindPlan
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import load_scenario


@dataclass
class Visit:
    """A job on a simulated line."""

    scenario: str = "healthy"
    told: list[events.Event] = field(default_factory=list)
    should_stop: Callable[[], bool] = lambda: False

    def __post_init__(self) -> None:
        self.bus = load_scenario(self.scenario).build()
        self.job = Job(
            OpenedLink(self.bus.open_link(), self.bus.hands),
            parse_link(f"sim:{self.scenario}"),
            self.told.append,
            lambda: self.should_stop(),
        )

    def change(self, address: int, new: int | None, line: LineSettings | None = None) -> None:
        async def work() -> None:
            plan = await self.job.plan_change(address, new, line)
            await self.job.change(plan, "a test")

        run_virtual(work())

    def ended(self) -> events.ChangeEnded:
        last = [e for e in self.told if isinstance(e, events.ChangeEnded)][-1]
        assert isinstance(last, events.ChangeEnded)
        return last

    def writes(self) -> int:
        """Writes on the line: MODBUS Application Protocol V1.1b3, sections 6.5 to 6.17."""
        return sum(
            e.sender.startswith("port") and e.data[1] in (5, 6, 15, 16, 21, 22, 23)
            for e in self.bus.line.log
        )


def found(code: str, address: int, summary: str = "") -> Finding:
    return Finding(
        code, Severity.FAULT, address, "Nixenfurt NF 3F", summary or f"At address {address}.",
        f"The device at address {address} is so; address {address}0 is not.", 0.9,
        (Evidence(3, "seen"),), f"Mend what is at address {address}.", None,
    )  # fmt: skip


def test_findings_follow_their_device() -> None:
    visit = Visit()
    for code in ("ct-reversed", "duplicate-undecided", "polled-absent"):
        visit.job.raise_finding(found(code, 2))
    visit.job.raise_finding(found("ct-reversed", 1))
    visit.change(2, 7)
    assert set(visit.job.findings) == {("ct-reversed", 7), ("polled-absent", 2), ("ct-reversed", 1)}
    moved = visit.job.findings["ct-reversed", 7]
    assert moved.summary == "At address 7."
    assert moved.cause == "The device at address 7 is so; address 20 is not."
    assert moved.remedy == "Mend what is at address 7."
    assert moved.evidence == (
        Evidence(3, "seen"), Evidence(None, "found while the device had address 2"),
    )  # fmt: skip
    cleared = {(e.code, e.address) for e in visit.told if isinstance(e, events.FindingCleared)}
    assert cleared == {("ct-reversed", 2), ("duplicate-undecided", 2)}
    assert sorted(visit.job.devices) == [7]
    assert visit.job.devices[7].duplicate == "single"


def test_findings_stay_where_nothing_was_changed() -> None:
    visit = Visit("obstinate-meters")
    visit.job.raise_finding(found("ct-reversed", 3))
    visit.change(3, 13)
    assert set(visit.job.findings) == {("ct-reversed", 3)}
    assert 3 in visit.job.devices


def test_a_device_that_talks_otherwise_than_the_rest_afterwards_is_told() -> None:
    visit = Visit()
    run_virtual(visit.job.find(FindPlan(settings=LineSettings(), addresses=(1, 2, 10))))
    before = set(visit.job.findings)
    visit.change(2, None, LineSettings(19200))
    assert set(visit.job.findings) - before == {("settings-differ", 2)}
    assert "19200 8N1" in visit.job.findings["settings-differ", 2].summary
    visit.change(2, None, LineSettings())
    assert ("settings-differ", 2) not in visit.job.findings


@pytest.mark.parametrize("after", [0, 1, 5, 12, 20])
def test_the_look_before_the_change_can_be_stopped(after: int) -> None:
    visit = Visit()
    count = lambda: sum(isinstance(e, events.ExchangeMade) for e in visit.told)  # noqa: E731
    run_virtual(visit.job.known(2))
    known = count()
    visit.should_stop = lambda: count() >= known + after
    with pytest.raises(ChangeStopped, match="nothing was written"):
        visit.change(2, 7)
    assert visit.writes() == 0
    assert count() <= known + after + 1
    assert "nothing was written" in visit.ended().refusal


def test_a_wish_to_stop_does_not_leave_a_change_half_way() -> None:
    visit = Visit()
    visit.should_stop = lambda: visit.writes() > 0
    visit.change(2, 7)
    ended = visit.ended()
    assert ended.result is not None
    assert ended.result.state is ChangeState.CHANGED


def test_a_link_that_is_lost_after_a_write_leaves_no_doubt_that_nobody_looked(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    visit = Visit()
    plan = run_virtual(visit.job.plan_change(2, 7, None))

    async def lost(*_: object, **__: object) -> None:
        raise LinkError("The adapter was pulled.", "Plug it in.")

    monkeypatch.setattr(visit.job.bus, "listen", lost)
    with pytest.raises(LinkError):
        run_virtual(visit.job.change(plan, "a test"))
    ended = visit.ended()
    assert ended.result is not None
    assert ended.result.state is ChangeState.INTERRUPTED
    assert ended.result.address is None
    assert "register 2000 := 6789, 2001 := 7, 2010 := 1" in ended.result.text
    assert len(ended.result.written) == visit.writes() == 3


def test_every_setting_that_is_offered_can_be_set_and_taken_back() -> None:
    visit = Visit()
    job = visit.job

    async def work() -> list[tuple[ChangeState, Place]]:
        ends = []
        first = await job.plan_change(2, 7, None)
        offered = offered_settings(first.how, first.settings)
        assert len(offered) == 4 * 3 * 2
        assert offered[0] == first.settings
        for settings in offered[1:8]:
            plan = await job.plan_change(2, None, settings)
            there = await job.change(plan, "a test")
            assert there.settings == settings
            back = await job.change(return_plan(plan), "a test")
            assert back.address is not None
            assert back.settings is not None
            ends.append((back.state, Place(back.address, back.settings)))
        return ends

    home = (ChangeState.CHANGED, Place(2, LineSettings()))
    assert run_virtual(work()) == [home] * 7
    assert visit.bus.stations[1].settings == LineSettings()


def test_through_modbus_tcp_nothing_is_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    visit = Visit()
    run_virtual(visit.job.known(2))
    monkeypatch.setattr(Bus, "is_serial", False)
    with pytest.raises(InputError, match="Modbus TCP"):
        visit.change(2, 7)
    assert visit.writes() == 0
