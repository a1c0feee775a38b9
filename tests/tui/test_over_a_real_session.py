"""The screens over the real session and a simulated bus in virtual time: from the first key on."""

from __future__ import annotations

from collections.abc import Callable

from textual.pilot import Pilot
from textual.widgets import Input

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


async def test_the_tour_leads_through_the_whole_job_to_both_faults_of_the_demo_site() -> None:
    app = BusprobeApp(
        Session(open_demo), link_argument="sim:demo", ports=list, scenarios=[],
        tour=True, theme="busprobe-dark", glyphs="braille",
    )  # fmt: skip
    async with app.run_test(size=(120, 40)) as pilot:
        state, tour = app.state, app.tour
        assert tour is not None
        await pilot.press("s")
        await until(pilot, state, lambda: state.is_open)
        await pilot.press("o")
        await until(pilot, state, lambda: tour.position == 3)
        assert state.addresses == (1, 2, 10)
        # Everybody who is alone was read once; the two at one address were not.
        assert {2, 10} == {address for address, trend in state.trends.items() if trend}
        assert len(state.verdicts[1]) == 2
        await pilot.press("3")
        await until(pilot, state, lambda: tour.position == 4)
        assert {a: d.duplicate for a, d in state.devices.items()} == {
            1: "duplicate", 2: "single", 10: "single",
        }  # fmt: skip
        await pilot.press("d", "b", "5", "right", "s")
        await until(pilot, state, lambda: state.prompt is not None)
        await pilot.press("h")
        await until(pilot, state, lambda: state.steps[Step.WIRING].state is StepState.DONE)
        diagnosis = state.wiring[2]
        assert diagnosis.verdict is WiringVerdict.FAULT
        # Steps stand on the trend where they happened: shortly after they were asked for.
        asked = [mark.t_s for mark in state.marks]
        seen = [state.wiring_since_s + step.t_s for step in diagnosis.steps]
        assert len(asked) == len(seen)
        assert seen[0] - asked[0] > 0  # that one waited for the key
        assert all(0 < at - by < 6.0 for by, at in zip(asked[1:], seen[1:], strict=True))
        assert ("ct-reversed", 2) in state.findings
        assert ("duplicate-address", 1) in state.findings
        await pilot.pause(0)
        assert tour.position == 7
        await pilot.press("4", "s")
        await until(pilot, state, lambda: tour.position == 8)
        assert state.weighed is not None
        await pilot.press("6", "7")
        assert tour.position == len(tour.stops) - 1


async def test_the_tour_that_was_shown_and_confirmed_is_gone_through_and_ends_at_home() -> None:
    # A meter that nobody searched for: what is known of it grows between showing and testing.
    app = BusprobeApp(
        Session(open_demo), link_argument="sim:bench", ports=list, scenarios=[],
        theme="busprobe-dark", glyphs="braille",
    )  # fmt: skip
    async with app.run_test(size=(80, 24)) as pilot:
        state = app.state
        await pilot.press("s")
        await until(pilot, state, lambda: state.is_open)
        await pilot.press("8", "O")
        app.screen.query_one("#at", Input).value = "19200-8N1"
        await pilot.press("enter")
        app.screen.query_one("#bench-requests", Input).value = "10"
        app.screen.query_one("#bench-watch", Input).value = "0"
        await pilot.press("u")
        await until(pilot, state, lambda: state.bench_tour is not None)
        await pilot.pause(0)
        await pilot.press("y")
        await until(pilot, state, lambda: state.bench is not None)
        assert state.bench is not None
        measured = {s.settings: (s.requests, s.answered) for s in state.bench.statistics}
        assert measured == {"9600 8N1": (10, 10), "19200 8N1": (10, 10)}
        assert state.bench.settings_note.startswith("answers at 9600 8N1 again")
        assert state.bench.written
