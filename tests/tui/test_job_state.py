"""The state that the screens show, built from events alone."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from fake_session import DUPLICATE_FINDING, FEEDER, GRID_AND_GENERATOR, NOTE, FakeSession
from hypothesis import example, given
from hypothesis import strategies as st
from stage import make_app, on_stage

from busprobe.model.errors import LinkError
from busprobe.model.exchange import Exchange
from busprobe.model.finding import certainty
from busprobe.model.line import LineSettings, parse_link
from busprobe.model.reading import Snapshot
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.tui import words
from busprobe.tui.glyphs import GLYPHS, GlyphMode
from busprobe.tui.state import JobState
from busprobe.tui.theme import DARK
from busprobe.tui.widgets.bus_strip import BusStrip
from busprobe.tui.widgets.frame_list import FrameList
from busprobe.tui.widgets.trend import nice_range

SIGNS = GLYPHS[GlyphMode.BRAILLE]
OPENED = events.LinkOpened(parse_link("sim:demo"), LineSettings(9600))


def test_a_new_link_forgets_the_old_bus() -> None:
    state = JobState()
    state.apply_all([OPENED, events.DeviceKnown(FEEDER), events.FindingRaised(NOTE)])
    assert state.addresses == (2,)
    state.apply(OPENED)
    assert not state.addresses
    assert state.findings == {}
    assert state.selected is None
    assert state.is_open


def test_a_lost_link_takes_the_request_back() -> None:
    state = JobState()
    state.apply_all(
        [
            OPENED,
            events.StepStarted(Step.WIRING, "Reads."),
            events.OperatorAsked("Switch on.", "L1", True, answerable=False),
            events.LinkLost(LinkError("Gone.", "Plug it in.")),
        ]
    )
    assert state.prompt is None
    assert state.running is None
    assert not state.is_open


def test_a_finding_replaces_the_earlier_one_of_the_same_code_and_address() -> None:
    state = JobState()
    later = replace(DUPLICATE_FINDING, probability=0.5)
    elsewhere = replace(DUPLICATE_FINDING, address=7)
    state.apply_all([events.FindingRaised(f) for f in (DUPLICATE_FINDING, later, elsewhere, NOTE)])
    assert state.ordered_findings == [later, elsewhere, NOTE]
    state.apply(events.FindingCleared(later.code, 1))
    assert state.ordered_findings == [elsewhere, NOTE]


def test_once_simulated_hands_help_nothing_more_is_asked() -> None:
    state = JobState()
    asked = events.OperatorAsked("Switch on.", "L1", True, answerable=True)
    state.apply_all([OPENED, events.StepStarted(Step.WIRING, "Reads."), asked])
    assert state.prompt == asked
    state.prompt, state.hands_help = None, True
    state.apply(asked)
    assert state.prompt is None
    state.apply(events.StepFinished(Step.WIRING, StepEnd.DONE, "Done."))
    state.apply(asked)
    assert state.prompt == asked


def test_exchanges_are_kept_and_counted() -> None:
    session, state = FakeSession(), JobState()
    state.apply_all(events.ExchangeMade(session.exchange(3, b"\x03\0\0\0\1")) for _ in range(25))
    assert len(state.exchanges) == 25
    assert state.exchange(16) == state.exchanges[15]
    assert state.exchange(26) is None
    assert state.counts[3] == (25, 0)


@pytest.mark.parametrize(
    ("happened", "word"),
    [
        ([], "to do"),
        ([events.StepStarted(Step.ADDRESSES, "Reads.")], "runs"),
        ([events.StepFinished(Step.ADDRESSES, StepEnd.STOPPED, "")], "stopped"),
        ([events.StepFinished(Step.ADDRESSES, StepEnd.FAILED, "")], "failed"),
        ([events.DeviceKnown(replace(FEEDER, duplicate="duplicate"))], "1 twice"),
        (
            [
                events.DeviceKnown(replace(FEEDER, duplicate="single")),
                events.StepFinished(Step.ADDRESSES, StepEnd.DONE, ""),
            ],
            "all single",
        ),
        (
            [
                events.DeviceKnown(replace(FEEDER, duplicate="single")),
                events.DeviceKnown(GRID_AND_GENERATOR),
                events.StepFinished(Step.ADDRESSES, StepEnd.DONE, ""),
            ],
            "1 open",
        ),
    ],
)
def test_the_state_of_a_step_in_a_word(happened: list[events.Event], word: str) -> None:
    state = JobState()
    state.apply_all([OPENED, *happened])
    assert words.step(state, Step.ADDRESSES, SIGNS, DARK).word == word


def test_certainty_is_never_rounded_up() -> None:
    assert certainty(0.9999) == "over 99.9 %"
    assert certainty(0.9991) == "99.9 %"
    assert certainty(0.62) == "62 %"
    assert certainty(0.001) == "under 1 %"


@given(
    st.floats(-1e6, 0.0, allow_subnormal=False), st.floats(0.0, 1e6, allow_subnormal=False),
    st.integers(3, 60),
)  # fmt: skip
@example(0.0, 0.0, 3)
@example(-150.0, 310.0, 5)
def test_ticks_are_round_evenly_spaced_and_both_ends_are_in_sight(
    low: float, high: float, rows: int
) -> None:
    bottom, top, tick = nice_range(low, high, rows)
    assert bottom <= low <= 0.0 <= high <= top
    # A tick is 1, 2, 2.5 or 5 times a power of ten, and ticks fall onto whole rows.
    mantissa = tick / 10 ** math.floor(math.log10(tick) + 1e-9)
    assert any(mantissa == pytest.approx(m) for m in (1, 2, 2.5, 5))
    per_tick = tick / ((top - bottom) / rows)
    assert per_tick == pytest.approx(round(per_tick))
    assert -bottom / (top - bottom) * rows == pytest.approx(round(-bottom / (top - bottom) * rows))
    # The picture is used: at least a third of it where both signs occur, half of it else.
    assert max(high - low, 10.0) >= (top - bottom) / 5


# -- bursts and size ------------------------------------------------------------------------


async def test_a_burst_of_events_is_drawn_once() -> None:
    async with on_stage() as stage:
        await stage.open()
        drawn = 0
        inner = stage.app.refresh_screens

        def counted() -> None:
            nonlocal drawn
            drawn += 1
            inner()

        stage.app.refresh_screens = counted  # type: ignore[method-assign]
        stage.session.find()
        assert stage.session.play() > 500
        stage.app.drain()
        assert drawn == 1
        assert len(stage.app.state.exchanges) > 250


async def test_events_that_arrive_while_draining_wait_for_the_next_time() -> None:
    async with on_stage() as stage:
        await stage.open()
        state = stage.app.state
        inner = state.apply_all

        def flooded(happened: object) -> int:
            stage.session.emit(events.FindingRaised(NOTE))
            return inner(happened)  # type: ignore[arg-type]

        object.__setattr__(stage.app, "state", _Flooded(state, flooded))
        stage.session.emit(events.FindingRaised(NOTE))
        stage.app._waiting.append(events.FindingRaised(NOTE))
        stage.app.drain()
        assert len(stage.app._waiting) == 1


class _Flooded:
    """A state that lets an event in while it takes events in."""

    def __init__(self, state: JobState, apply_all: object) -> None:
        self._state, self.apply_all = state, apply_all

    def __getattr__(self, name: str) -> object:
        return getattr(self._state, name)


async def test_a_million_exchanges_cost_no_more_than_a_few(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("f")
        listed = stage.app.screen.query_one(FrameList)
        looked_at: list[int] = []
        one = stage.app.state.exchanges[0]

        def look(index: int) -> Exchange:
            looked_at.append(index)
            return one

        monkeypatch.setattr(listed, "entry_count", lambda: 1_000_000)
        monkeypatch.setattr(listed, "exchange_at", look)
        listed.refresh_state()
        await stage.press("home", "end", "pageup")
        assert max(looked_at) >= 999_990
        assert len(set(looked_at)) < 200


@pytest.mark.parametrize("count", [0, 1, 3, 6, 12, 40])
async def test_any_number_of_devices_finds_room_on_the_bus(count: int) -> None:
    async with on_stage(make_app()) as stage:
        await stage.open()
        for address in range(1, count + 1):
            duplicate = "duplicate" if address % 5 == 1 else "single"
            stage.session.emit(
                events.DeviceKnown(replace(FEEDER, address=address, duplicate=duplicate))
            )
        if count:
            stage.session.emit(events.ReadingsTaken(Snapshot(1, count, {"V_L1": 230.0}), ()))
        await stage.settle()
        strip = stage.app.screen.query_one(BusStrip)
        seen = set()
        for _ in range(max(1, count)):
            drops = strip._drops
            edges = [(drop.left, drop.left + drop.width) for drop in drops]
            assert all(end <= start for (_, end), (start, _) in pairwise(edges))
            assert all(left >= 0 and right <= strip.size.width for left, right in edges)
            shown = {drop.device.address for drop in drops}
            if count:
                assert stage.app.state.selected in shown
            seen |= shown
            await stage.pilot.press("right")
            await stage.pilot.pause(0)
        assert seen == set(range(1, count + 1))
