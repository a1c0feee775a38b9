"""What a state is called: a technician must not read trouble where there is none."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise, product

import pytest
from fake_session import FEEDER, GRID_AND_GENERATOR, FakeSession
from hypothesis import given
from hypothesis import strategies as st
from stage import make_app, on_stage, walk

from busprobe.diagnosis.wiring import WiringDiagnosis, WiringVerdict
from busprobe.model.exchange import Outcome
from busprobe.model.line import LineSettings, parse_link
from busprobe.session import events
from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.actions import Scope, actions_in
from busprobe.tui.glyphs import GLYPHS, GlyphMode
from busprobe.tui.hints import next_hint
from busprobe.tui.screens.help import HelpScreen
from busprobe.tui.state import JobState
from busprobe.tui.theme import DARK
from busprobe.tui.widgets.trend import legend, name_rows
from busprobe.wire import pdu

SIGNS = GLYPHS[GlyphMode.BRAILLE]
OPENED = events.LinkOpened(parse_link("sim:demo"), LineSettings(9600))
READ = pdu.read_registers(3, 0, 2)


def heard(address: int, outcome: Outcome) -> events.ExchangeMade:
    return events.ExchangeMade(FakeSession().exchange(address, READ, outcome=outcome))


def test_a_refusal_of_the_search_is_an_answer() -> None:
    state = JobState()
    untested = replace(FEEDER, duplicate="undecided")
    state.apply_all([OPENED, heard(2, Outcome.EXCEPTION), events.DeviceKnown(untested)])
    assert words.device(state, state.devices[2], SIGNS, DARK).word == "answers"
    state.apply(heard(2, Outcome.SILENT))
    assert words.device(state, state.devices[2], SIGNS, DARK).word == "silent"


def test_requests_at_rates_that_are_off_make_no_device_silent() -> None:
    state = JobState()
    unheard = heard(2, Outcome.SILENT).exchange
    state.apply_all([OPENED, events.DeviceKnown(FEEDER), heard(2, Outcome.ANSWERED)])
    state.apply(events.ExchangeMade(replace(unheard, sent_at=LineSettings(9888))))
    # While they are sent, too: its state does not flicker.
    assert words.device(state, state.devices[2], SIGNS, DARK).word == "answers"
    state.apply(events.ExchangeMade(unheard))
    assert words.device(state, state.devices[2], SIGNS, DARK).word == "silent"


def test_what_the_search_has_tested_is_not_to_do() -> None:
    state = JobState()
    state.apply_all([OPENED, events.DeviceKnown(replace(FEEDER, duplicate="undecided"))])
    assert words.step(state, Step.ADDRESSES, SIGNS, DARK).word == "to do"
    state.apply(events.DeviceKnown(replace(FEEDER, duplicate="single")))
    assert words.step(state, Step.ADDRESSES, SIGNS, DARK).word == "all single"
    state.apply(events.DeviceKnown(replace(GRID_AND_GENERATOR, duplicate="undecided")))
    assert words.step(state, Step.ADDRESSES, SIGNS, DARK).word == "to do"


@pytest.mark.parametrize(
    ("count", "said"), [(0, "never"), (1, "once"), (2, "twice"), (3, "3 times")]
)
def test_how_often(count: int, said: str) -> None:
    assert words.times(count) == said


def test_what_is_too_long_for_a_row_says_so() -> None:
    assert words.cut("at 9600 Bd", 10, SIGNS) == "at 9600 Bd"
    assert words.cut("at 9600 Bd", 9, SIGNS) == "at 9600 …"
    assert words.cut("at 9600 Bd", 0, SIGNS) == ""


async def test_an_address_that_was_not_tested_is_not_called_undecided() -> None:
    async with on_stage(make_app()) as stage:
        await stage.open()
        stage.session.emit(events.DeviceKnown(replace(FEEDER, duplicate="undecided")))
        await stage.settle()
        await stage.press("3")
        assert "not tested" in stage.screen_text()
        assert "undecided" not in stage.screen_text()
        assert "asked never, answered never" in stage.screen_text()


async def test_ctrl_c_names_the_keys_of_this_program() -> None:
    async with on_stage(make_app()) as stage:
        await stage.open()
        await stage.press("ctrl+c")
        assert "q leaves busprobe" in stage.notices()
        assert "x stops" not in stage.notices()
        await stage.press("s")
        await stage.play(3)
        assert stage.app.state.running is Step.FIND
        await stage.press("ctrl+c")
        assert "x stops the running step" in stage.notices()
        assert "quit the app" not in stage.notices()


async def test_help_names_first_the_keys_that_do_something_here() -> None:
    async with on_stage(make_app()) as stage:
        await stage.press("f1")
        screen = stage.app.screen
        assert isinstance(screen, HelpScreen)
        now, _, later = screen.text().plain.partition("Keys that work at other times")
        assert "Start the step that is shown." in now
        assert "Say that you did what was asked." not in now
        assert "Say that you did what was asked." in later
        told = {a.help.split()[-1] for a in actions_in(Scope.WORK)}
        assert all(word in now + later for word in told)


def test_the_names_of_the_curves_touch_no_end_of_the_axis() -> None:
    assert legend(("L1", "L2", "L3"), 10, 60, 30) == (30, ("P L1", "P L2", "P L3"))
    # A long test in a narrow window: 19 columns are free, 16 are needed.
    column, names = legend(("L1", "L2", "L3"), 10, 29, 20)
    assert column + len("  ".join(names)) == 29
    assert legend(("L1", "L2", "L3"), 10, 20, 20) == (10, ("L1", "L2", "L3"))


async def test_a_narrow_picture_of_the_flow_cuts_no_number() -> None:
    async with on_stage(make_app(), size=(80, 24)) as stage:
        async for station in walk(stage, "energy"):
            if station == "roles":
                roles = stage.screen_text()
                assert "NF-3P" in roles
                assert "Nixenfurt N " not in roles
            if station == "energy":
                break
        text = stage.screen_text()
        assert "inverter 10 → 8 130 W →" in text
        assert "✘ reversed" in text
        assert "→ 9 518 W → rest of house" in text


def test_a_load_that_was_not_seen_is_not_called_ambiguous() -> None:
    state = JobState()
    missed = WiringDiagnosis(
        WiringVerdict.INCONSISTENT, 0.999, (), "import-positive", (), "Plug it elsewhere.", ()
    )
    state.apply_all([OPENED, events.DeviceKnown(FEEDER), events.WiringSeen(2, missed)])
    state.selected = 2
    assert "did not see the load" in next_hint(state, Step.WIRING)
    several = replace(missed, verdict=WiringVerdict.AMBIGUOUS)
    state.apply(events.WiringSeen(2, several))
    assert "More than one wiring fits" in next_hint(state, Step.WIRING)
    known = replace(missed, next_experiment="")
    state.apply(events.WiringSeen(2, replace(known, verdict=WiringVerdict.FAULT)))
    assert "Read the remedy, mend" in next_hint(state, Step.WIRING)
    state.apply(events.WiringSeen(2, replace(known, verdict=WiringVerdict.CORRECT)))
    assert "mend" not in next_hint(state, Step.WIRING)
    assert "This meter is right." in next_hint(state, Step.WIRING)


@pytest.mark.parametrize("width", [12, 20, 32, 45, 60])
def test_a_path_is_broken_behind_its_signs(width: int) -> None:
    path = "/srv/visit/.local/share/busprobe/recordings/mill_lane.plan.yaml"
    rows = words.wrapped(f"kept in {path} as usual", width)
    assert " ".join(rows).replace(" ", "") == f"kept in {path} as usual".replace(" ", "")
    assert all(len(row) <= width for row in rows)
    for row, following in pairwise(rows):
        assert row[-1] in "/_.\\" or f"{row} {following}" in f"kept in {path} as usual"


def test_a_word_without_signs_is_broken_where_the_row_ends() -> None:
    assert words.wrapped("x" * 25, 10) == ["x" * 10, "x" * 10, "x" * 5]


@given(
    wanted=st.lists(st.integers(min_value=0, max_value=20), min_size=1, max_size=3),
    spare=st.integers(min_value=0, max_value=20),
)
def test_names_of_curves_stay_apart_on_the_canvas_and_in_the_order_of_the_curves(
    wanted: list[int], spare: int
) -> None:
    height = len(wanted) + spare
    rows = name_rows(wanted, height)
    assert len(set(rows)) == len(rows)
    assert all(0 <= row < height for row in rows)
    assert all(
        a < b for (w, a), (v, b) in product(zip(wanted, rows, strict=True), repeat=2) if w < v
    )
    if len(set(wanted)) == len(wanted) and max(wanted) < height:
        assert rows == wanted
