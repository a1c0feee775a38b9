"""The screens over the real session and a simulated bus in virtual time: from the first key on."""

from __future__ import annotations

from collections.abc import Callable

from textual.pilot import Pilot

from busprobe.diagnosis.wiring import WiringVerdict
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session.events import Step
from busprobe.session.ports import OpenedLink
from busprobe.session.session import Session
from busprobe.tui.app import BusprobeApp
from busprobe.tui.state import JobState, StepState
from busprobe_sim.scenario import open_simulated

LONGEST_WAIT = 3000


async def open_demo(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
    link, bus = open_simulated(endpoint, settings or LineSettings(), "virtual")
    return OpenedLink(link, bus.hands)


async def until(pilot: Pilot[None], state: JobState, condition: Callable[[], bool]) -> None:
    """Let the session's thread work until something is so."""
    for _ in range(LONGEST_WAIT):
        if condition():
            return
        failed = [v.summary for v in state.steps.values() if v.state is StepState.FAILED]
        assert not failed
        await pilot.pause(0.01)
    raise AssertionError("It never came to that.")


async def test_the_tour_leads_to_both_faults_of_the_demo_site() -> None:
    app = BusprobeApp(
        Session(open_demo), link_argument="sim:demo", ports=list, scenarios=[],
        tour=True, theme="busprobe-dark", glyphs="braille",
    )  # fmt: skip
    async with app.run_test(size=(120, 40)) as pilot:
        state, tour = app.state, app.tour
        assert tour is not None
        await pilot.press("s")
        await until(pilot, state, lambda: state.is_open)
        await pilot.press("s")
        await until(pilot, state, lambda: tour.position == 2)
        assert state.addresses == (1, 2, 10)
        await pilot.press("3", "s")
        await until(pilot, state, lambda: tour.position == 3)
        assert {a: d.duplicate for a, d in state.devices.items()} == {
            1: "duplicate", 2: "single", 10: "single",
        }  # fmt: skip
        await pilot.press("d", "b", "5", "right", "s")
        await until(pilot, state, lambda: state.prompt is not None)
        await pilot.press("h")
        await until(pilot, state, lambda: state.steps[Step.WIRING].state is StepState.DONE)
        assert state.wiring[2].verdict is WiringVerdict.FAULT
        assert ("ct-reversed", 2) in state.findings
        assert ("duplicate-address", 1) in state.findings
        await pilot.pause(0)
        assert tour.position == len(tour.stops) - 1
