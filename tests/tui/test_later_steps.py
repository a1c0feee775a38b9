"""Line, energy, handover and another address: keys, pictures, and what is asked of the session."""

from __future__ import annotations

from pathlib import Path

import pytest
from fake_later_steps import CHECKS
from stage import go_to, on_stage, walk
from textual.widgets import Input, Select

from busprobe.diagnosis.balance import MeterRole, Role
from busprobe.diagnosis.wiring import KnownLoad
from busprobe.model.device import Device, ModelBlock, SunSpecMap
from busprobe.model.errors import InputError
from busprobe.model.line import Parity
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.session.handover import VerifyWish
from busprobe.session.wishes import ReportWish
from busprobe.tui.screens.energy_pane import proposed
from busprobe.tui.screens.handover_pane import CheckList
from busprobe.tui.screens.leaving import LeavingScreen
from busprobe.tui.screens.readdress import ReaddressScreen
from busprobe.tui.screens.separate import SeparateScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.state import SoakPoint, StepState
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.soak_picture import columns
from busprobe.tui.widgets.step_card import ABOUT

# -- line -----------------------------------------------------------------------------------


async def test_listening_shows_who_is_polled_and_sends_nothing() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.open()
        await stage.press("4", "l")
        assert stage.session.calls[-1] == ("listen", (10.0, None))
        await stage.play(2)
        assert "listening at 19200 8E1" in stage.screen_text()
        assert "▶ listening" in stage.screen_text()
        await stage.play()
        text = stage.screen_text()
        assert "Somebody polls devices here." in text
        for row in ("1     20        20", "3     20         0      20", "✘ absent", "▲ trouble"):
            assert row in text
        assert "✔ open" in text


async def test_a_line_check_shows_causes_with_evidence_health_and_history() -> None:
    async with on_stage(size=(120, 40)) as stage:
        seen = {}
        async for station in walk(stage, "line"):
            seen[station] = stage.screen_text()
        assert ("check_line", ((1, 2, 10), 60.0)) in stage.session.calls
        assert "▲ something is wrong" in seen["line"]
        assert "93 %  no bias, the line" in seen["line"]
        assert "6 of 8 stray bytes fell into pauses longer than 5 ms" in seen["line"]
        assert "95 % interval" in seen["line-health"]
        assert "Turn-arounds at address 2" in seen["line-health"]
        assert "more than a tenth failed" in seen["soak"]
        assert "60 s" in seen["soak"]


async def test_the_line_check_asks_whom_the_open_plan_names_too() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.open()
        await stage.press("4", "s")
        assert "check_line" not in {name for name, _ in stage.session.calls}
        await stage.press("7")
        stage.app.screen.query_one("#plan-file", Input).value = "mill.plan.yaml"
        await stage.press("4", "s")
        assert stage.session.calls[-1] == ("check_line", ((), 0.0, "mill.plan.yaml"))


async def test_health_is_counted_while_the_check_still_runs() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("4", "s")
        await stage.play(25)
        state = stage.app.state
        assert {a: t.exchanges for a, t in state.tallies.items()} == {1: 4, 2: 4, 10: 4}
        assert "x Stop" in stage.screen_text()
        await stage.press("x")
        assert state.steps[Step.LINE].state is StepState.STOPPED


def test_a_soak_column_holds_only_what_failed_within_it() -> None:
    soak = [
        SoakPoint(0.0, {7: (0, 0)}), SoakPoint(10.0, {7: (10, 0)}), SoakPoint(20.0, {7: (20, 5)}),
        SoakPoint(30.0, {7: (20, 5)}), SoakPoint(40.0, {7: (60, 7)}),
    ]  # fmt: skip
    assert columns(soak, 7, 4, 40.0) == {1: 0.0, 2: 0.5, 3: 2 / 40}


# -- energy ---------------------------------------------------------------------------------


def test_roles_are_proposed_by_what_a_device_is() -> None:
    def sunspec(model: int) -> SunSpecMap:
        return SunSpecMap(40000, (ModelBlock(1, 40002, 66), ModelBlock(model, 40070, 50)))

    devices = [
        Device(1, duplicate="duplicate", phases=3), Device(2, phases=3), Device(3, phases=3),
        Device(4), Device(10, sunspec=sunspec(103), phases=3), Device(11, sunspec=sunspec(802)),
    ]  # fmt: skip
    assert proposed(devices) == {
        1: "", 2: "grid", 3: "load", 4: "", 10: "hybrid", 11: "battery",
    }  # fmt: skip


async def test_roles_are_chosen_and_the_flow_is_drawn_with_signs_and_numbers() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("6")
        assert "✘ two devices here" in stage.screen_text()
        assert "As the registers show it" in stage.screen_text()
        # 2 is proposed as feed-in meter, 10 as a consumer: it becomes the hybrid inverter.
        await stage.press("left", *("m",) * 4)
        text = stage.screen_text()
        assert "→ hybrid inverter" in text
        stage.app.screen.query_one("#curtail", Select).value = 1
        await stage.press("s")
        wanted = {2: ("grid", MeterRole(Role.GRID)), 10: ("hybrid", MeterRole.usual(Role.HYBRID))}
        assert stage.session.calls[-1] == ("check_balance", (wanted, 360.0, True))
        await stage.play()
        text = stage.screen_text()
        assert "✘ FAULT" in text
        assert "8 130 W ✘ reversed" in text
        assert "9 518 W" in text
        assert "rest of house" in text
        assert "give or take 96 W" in text


async def test_a_source_is_held_back_by_hand_and_without_the_caution_of_a_load() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("6")
        stage.session.emit(events.StepStarted(Step.ENERGY, "Reads."))
        stage.session.emit(events.OperatorAsked("Hold hybrid back to 10 %.", "", False, True))
        await stage.settle()
        text = stage.screen_text()
        assert "Hold hybrid back to 10 %." in text
        assert "Caution" not in text
        await stage.press("5")
        assert "You are asked to do something: press 6." in stage.screen_text()
        await stage.press("6", "n")
        assert stage.session.calls[-1] == ("answer", (False,))


async def test_a_balance_without_feed_in_meter_is_not_begun() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("6", "right", "m", "s")
        assert stage.session.calls[-1][0] == "check_addresses"
        assert "must be the feed-in meter" in stage.notices()


# -- handover -------------------------------------------------------------------------------


async def test_a_plan_is_verified_and_every_check_tells_what_it_rests_on() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.open()
        await stage.press("7", "s")
        assert "Type the file of the plan first" in stage.notices()
        screen = stage.app.screen
        screen.query_one("#plan-file", Input).value = "/visit/mill.plan.yaml"
        screen.query_one("#verify-load", Input).value = "2000"
        screen.query_one("#plan-file", Input).focus()
        await stage.press("enter")
        wish = VerifyWish(Path("/visit/mill.plan.yaml"), KnownLoad(2000.0))
        assert stage.session.calls[-1] == ("verify", (wish,))
        assert wish.state_file == Path("/visit/mill.plan.checks.json")
        await stage.play()
        text = stage.screen_text()
        for check in CHECKS:
            assert f"{check.outcome.value:<15}{check.subject}: {check.title}" in text
        assert "All 4 checks: 1 FAIL, 1 NOT TESTED, 1 PASS, 1 NOT APPLICABLE" in text
        # What failed comes first, and is marked.
        rows = [row for row in text.splitlines() if any(c.title in row for c in CHECKS)]
        assert [row.split("│")[1].split()[1] for row in rows] == ["FAIL", "NOT", "PASS", "NOT"]
        assert "planned one device  found two devices" in stage.screen_text()
        assert "exchange 1: a second answer began 8.0 ms later" in stage.screen_text()
        screen.query_one(CheckList).focus()
        await stage.press("p")
        assert stage.session.calls[-1] == ("write_report", (ReportWish(wish.state_file),))
        await stage.play()
        assert "visits/visit-report.html" in stage.screen_text()


async def test_where_everything_is_kept_is_told() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.open()
        stage.session.emit(events.RecordingBegun("visits/2026-01-05_0910.busprobe"))
        await stage.press("7")
        assert "Recording visits/2026-01-05_0910.busprobe" in stage.screen_text()


# -- another address ------------------------------------------------------------------------


async def test_nothing_is_written_before_every_register_was_shown_and_confirmed() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("right", "a")
        assert isinstance(stage.app.screen, ReaddressScreen)
        assert stage.app.screen.query_one(Input).value == "3"
        await stage.press("enter")
        assert stage.session.calls[-1] == ("plan_change", (2, 3))
        await stage.press("y")
        assert stage.session.calls[-1] == ("plan_change", (2, 3))
        await stage.play()
        text = stage.screen_text()
        assert "To be WRITTEN to address 2" in text
        assert "serial number 00051923" in text
        assert "register 2 := 6 (0006h), unlocks the settings" in text
        assert "register 20 := 3 (0003h), its new address" in text
        assert ("change", ()) not in stage.session.calls
        await stage.press("y", "y")
        assert stage.session.calls.count(("change", ())) == 1
        await stage.play()
        text = stage.screen_text()
        assert "✔ CHANGED" in text
        assert "The device answers at address 3." in text
        assert "register 20 := 3: answered (exchange 501)" in text
        await stage.press("escape")
        assert stage.app.state.addresses == (1, 3, 10)
        assert stage.app.state.selected == 3


async def test_leaving_the_dialog_writes_nothing() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("right", "a", "enter")
        await stage.play()
        await stage.press("escape", "y")
        assert ("change", ()) not in stage.session.calls


async def test_a_refused_change_says_why() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("a", "enter")
        await stage.play()
        text = stage.screen_text()
        assert "✘ Refused: nothing was written." in text
        assert "More than one device answers at address 1." in text
        line = stage.app.screen.query_one(KeyLine)
        assert [a.label for a in line.offered()] == ["Leave it", "Help", "Commands"]


@pytest.mark.parametrize("wrong", ["", "0", "248", "2", "999"])
async def test_only_another_address_of_the_line_is_asked_for(wrong: str) -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("right", "a")
        stage.app.screen.query_one(Input).value = wrong
        await stage.press("enter")
        assert stage.session.calls[-1][0] == "check_addresses"


async def test_line_settings_can_be_changed_without_the_address() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("right", "a")
        screen = stage.app.screen
        screen.query_one(Input).value = ""
        screen.query_one("#new-baud", Select).value = "19200"
        screen.query_one("#new-parity", Select).value = "E"
        await stage.press("enter")
        wished = ("plan_change", (2, None, 19200, Parity.EVEN, None))
        assert stage.session.calls[-1] == wished


async def test_a_device_that_waits_for_power_is_asked_for_on_the_same_sheet() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("right", "a", "enter")
        await stage.play()
        await stage.press("y")
        stage.session._script.clear()
        stage.session.emit(events.StepStarted(Step.ADDRESSES, "Writes."))
        asked = "Switch the device at address 2 off and on."
        stage.session.emit(events.OperatorAsked(asked, "", False, True))
        await stage.settle()
        assert asked in stage.screen_text()
        line = stage.app.screen.query_one(KeyLine)
        labels = [a.label for a in line.offered()]
        assert labels == ["Yes", "No", "Simulated hands", "Leave it", "Help", "Commands"]
        await stage.press("y")
        assert stage.session.calls[-1] == ("answer", (True,))


# -- two meters apart -----------------------------------------------------------------------


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
async def test_two_meters_are_told_apart_with_one_write_that_was_confirmed(
    size: tuple[int, int],
) -> None:
    async with on_stage(size=size) as stage:
        await stage.addresses()
        await stage.press("g")
        assert isinstance(stage.app.screen, SeparateScreen)
        assert "30417788 and 30417790" in stage.screen_text()
        await stage.press("y", "enter")
        assert stage.session.calls[-1] == ("separate", (1, None))
        await stage.play()
        assert "Disconnect the bus wires (A and B) of ONE" in stage.screen_text()
        assert "licensed" in stage.screen_text()
        await stage.press("y")
        assert stage.session.calls[-1] == ("answer", (True,))
        await stage.play()
        text = stage.screen_text()
        assert "To be WRITTEN to address 1" in text
        assert "register 20 := 3 (0003h), its new address" in text
        await stage.press("y", "y")
        assert [c for c in stage.session.calls if c[0] == "confirm"] == [("confirm", (True,))]
        await stage.play()
        assert "(serial number 30417790)" in " ".join(stage.screen_text().split())
        await stage.press("h")
        await stage.play()
        text = stage.screen_text()
        assert "SEPARATED" in text
        assert "Label (changed now)" in text
        assert "Modbus address 3, 9600 8N1" in text
        await stage.press("escape")
        assert not isinstance(stage.app.screen, SeparateScreen)


async def test_an_unconfirmed_separation_says_how_things_stand() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("g", "enter")
        await stage.play()
        await stage.press("y")
        await stage.play()
        await stage.press("n")
        assert stage.session.calls[-1] == ("confirm", (False,))
        await stage.play()
        text = " ".join(stage.screen_text().split())
        assert "NOT SEPARATED" in text
        assert "Nothing was written" in text


async def test_the_new_address_of_a_separation_is_named_or_comes_from_the_plan() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("g")
        assert "the lowest free one" in stage.screen_text()
        await stage.press("escape")
        await stage.press("7")
        stage.app.screen.query_one("#plan-file", Input).value = "mill.plan.yaml"
        await stage.press("3")
        await stage.press("g")
        assert "as planned, else the lowest free one" in stage.screen_text()
        await stage.press("1", "enter")
        assert "separate" not in {name for name, _ in stage.session.calls}
        await stage.press("2", "enter")
        assert stage.session.calls[-1] == ("separate", (1, 12, "mill.plan.yaml"))
        assert "One of them becomes" not in stage.screen_text()


async def test_leaving_a_running_separation_stops_it_first() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("g", "enter")
        await stage.play()
        await stage.press("escape")
        assert stage.session.calls[-1] == ("stop", ())
        assert isinstance(stage.app.screen, SeparateScreen)
        await stage.press("escape")
        assert not isinstance(stage.app.screen, SeparateScreen)


async def test_leaving_during_a_change_waits_and_says_how_things_stand() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("g", "enter")
        await stage.play(3)
        stage.session.changing = True
        await stage.press("q")
        assert stage.session.calls[-1] == ("stop", ())
        screen = stage.app.screen
        assert isinstance(screen, LeavingScreen)
        assert "brought to a safe point first" in stage.screen_text()
        # Neither Enter nor q leaves before it has ended.
        await stage.press("enter", "q")
        screen.look()
        assert stage.app.screen is screen
        assert not screen.ended
        stage.session.changing = False
        screen.look()
        await stage.settle()
        text = stage.screen_text()
        assert "This is how things stand:" in text
        assert "Stopped by hand." in text
        assert stage.app.is_running
        await stage.press("enter")
        assert stage.app._exit


async def test_leaving_without_a_change_leaves_at_once() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        await stage.press("q")
        assert stage.app._exit


async def test_a_finding_of_two_at_one_address_leads_to_their_separation() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "finding")
        await stage.press("g")
        assert isinstance(stage.app.screen, SeparateScreen)
        assert stage.app.screen.address == 1
        await stage.press("escape")
        assert isinstance(stage.app.screen, WorkScreen)


# -- evidence on the bus line ---------------------------------------------------------------


async def test_two_devices_on_one_drop_show_both_serial_numbers() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.addresses()
        rows = stage.screen_text().splitlines()
        assert any("30417788" in row and "30417790" in row and "│" in row for row in rows)
        assert "serial 30417788  and 30417790" in stage.screen_text()


async def test_a_finding_draws_who_spoke_when() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "finding")
        text = stage.screen_text()
        assert "PC  ▀" in text
        assert "device" in text
        assert "answer began" in text


# -- everything -----------------------------------------------------------------------------


def test_what_a_step_does_is_told_whole_in_the_smallest_window() -> None:
    import textwrap

    for step, text in ABOUT.items():
        assert len(textwrap.wrap(f"· what it does: {text}", 62)) <= 3, step


async def test_a_link_that_cannot_be_opened_says_why() -> None:
    async with on_stage() as stage:
        stage.app.state.opening = "sim:nowhere"
        error = InputError("There is no scenario 'nowhere'.", "busprobe simulate lists them.")
        stage.session.emit(events.LinkLost(error))
        await stage.settle()
        assert "There is no scenario 'nowhere'." in stage.screen_text()
        assert stage.app.state.opening == ""


async def test_a_verification_that_runs_other_steps_is_shown_as_one() -> None:
    async with on_stage() as stage:
        await stage.open()
        stage.session.emit(events.StepStarted(Step.HANDOVER, "12 checks."))
        stage.session.emit(events.StepStarted(Step.FIND, "Listens."))
        await stage.settle()
        assert stage.app.state.running is Step.HANDOVER
        stage.session.emit(events.StepFinished(Step.FIND, StepEnd.DONE, "3 found."))
        stage.session.emit(events.StepFinished(Step.HANDOVER, StepEnd.DONE, "12 PASS."))
        await stage.settle()
        assert stage.app.state.running is None
