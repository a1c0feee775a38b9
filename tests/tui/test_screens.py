"""A technician at the keyboard, on every screen, over a scripted session."""

from __future__ import annotations

from dataclasses import replace

import pytest
from fake_session import CT_FINDING, DUPLICATE_FINDING, NOTE, FakeSession
from stage import Stage, go_to, make_app, on_stage
from textual.widgets import Input, Select

from busprobe.diagnosis.wiring import KnownLoad
from busprobe.model.errors import LinkError
from busprobe.model.exchange import Outcome
from busprobe.model.line import LineSettings, Parity
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.tui.screens.bench_pane import BenchPane
from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.state import StepState
from busprobe.tui.widgets.frame_list import FrameList


def step_shown(stage: Stage) -> Step:
    screen = stage.app.screen_stack[0]
    assert isinstance(screen, WorkScreen)
    return screen.step


# -- link -----------------------------------------------------------------------------------


async def test_ports_and_simulated_buses_are_offered_with_their_obstacles() -> None:
    async with on_stage() as stage:
        text = stage.screen_text()
        for expected in (
            "/dev/ttyUSB0",
            "▲ no permission",
            "sim:demo",
            "sim:healthy",
            "tcp://192.168.1.20",
        ):
            assert expected in text
        assert "Choose a link with the arrow keys and press s" in text


async def test_the_marked_link_is_opened_and_the_next_step_shown() -> None:
    async with on_stage() as stage:
        await stage.press(*("down",) * 3, "s")
        assert stage.session.calls == [("open", ("sim:demo", None))]
        assert step_shown(stage) is Step.FIND
        assert "✔ open" in stage.screen_text()


async def test_a_typed_link_with_known_settings_is_opened_by_enter() -> None:
    async with on_stage() as stage:
        field = stage.app.screen.query_one("#argument", Input)
        field.focus()
        field.value = ""
        await stage.press(*"tcp://10.0.0.7")
        stage.app.screen.query_one("#baud", Select).value = 19200
        await stage.settle()
        stage.app.screen.query_one("#format", Select).value = "E1"
        await stage.press("enter")
        expected = LineSettings(19200, Parity.EVEN, 1)
        assert stage.session.calls == [("open", ("tcp://10.0.0.7", expected))]


async def test_letters_typed_into_a_field_are_no_commands() -> None:
    async with on_stage() as stage:
        field = stage.app.screen.query_one("#argument", Input)
        field.focus()
        field.value = ""
        await stage.press(*"sfq")
        assert field.value == "sfq"
        assert stage.session.calls == []
        assert stage.app.is_running


async def test_an_argument_that_names_no_link_is_told_with_a_next_step() -> None:
    async with on_stage() as stage:
        stage.app.screen.query_one("#argument", Input).value = "ftp://x"
        await stage.press("s")
        assert stage.session.calls == []
        assert "'ftp://' is not a kind of link." in stage.screen_text()
        assert "✘ lost" in stage.screen_text()


async def test_a_lost_link_ends_the_running_step_and_says_what_to_do() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("s")
        await stage.play(40)
        stage.session.emit(
            events.LinkLost(LinkError("The adapter was unplugged.", "Plug it in, then press s."))
        )
        await stage.settle()
        assert stage.app.state.steps[Step.FIND].state is StepState.FAILED
        assert stage.app.state.running is None
        await stage.press("1")
        assert "Plug it in, then press s." in stage.screen_text()


# -- find -----------------------------------------------------------------------------------


async def test_the_sweep_says_what_it_does_how_far_it_is_and_can_be_stopped() -> None:
    async with on_stage() as stage:
        await go_to(stage, "sweeping")
        text = stage.screen_text()
        assert "Asks addresses 1 to 247 one read each" in text
        assert "39 %" in text
        assert "9.1 s left" in text
        assert "asking address 98" in text
        assert "x Stop" in text
        await stage.press("x")
        assert stage.session.calls[-1] == ("stop", ())
        assert "■ stopped" in stage.screen_text()


async def test_what_the_sweep_does_is_said_before_it_starts() -> None:
    async with on_stage() as stage:
        await stage.open()
        text = stage.screen_text()
        assert "what it does: Listens first, then asks" in text
        assert ("find", ()) not in stage.session.calls


async def test_devices_hang_on_the_bus_and_arrows_select_them() -> None:
    async with on_stage() as stage:
        await stage.find()
        text = stage.screen_text()
        for name in ("TF-340", "NF-3P", "FN-10k"):
            assert name in text
        assert "Trollfen TF-340" in text
        await stage.press("right", "right")
        assert stage.app.state.selected == 10
        assert "Feenau FN-10k" in stage.screen_text()
        await stage.press("right")
        assert stage.app.state.selected == 1


async def test_live_values_stand_with_units_and_sign() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.find()
        await stage.press("right")
        text = stage.screen_text()
        values = stage.app.state.latest(2)
        assert values is not None
        assert "U/V" in text
        assert "P/W" in text
        assert f"{values.quantities['V_L1']:.1f}" in text
        assert f"−{abs(values.quantities['P_L2']):.0f}" in text
        assert "Sign of P: not proven yet" in text
        assert "U1" in text
        assert "I2" in text


async def test_views_change_to_trend_and_registers() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("v")
        assert "No trend yet" in stage.screen_text()
        await stage.press("v")
        assert "00FE" in stage.screen_text()


async def test_watching_is_started_and_stopped_by_the_same_key() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("w")
        assert stage.session.calls[-1] == ("watch", ((1, 2, 10),))
        await stage.play(20)
        assert "▶ live" in stage.screen_text()
        await stage.press("w")
        assert ("stop", ()) in stage.session.calls
        assert "▶ live" not in stage.screen_text()


# -- addresses and findings -----------------------------------------------------------------


async def test_two_devices_at_one_address_are_two_boxes_on_one_drop() -> None:
    async with on_stage() as stage:
        await stage.addresses()
        rows = stage.screen_text().splitlines()
        drop = next(row for row in rows if "┌" in row and "┴" in row and "┐" in row)
        assert drop.count("┌") >= 1
        assert any(row.count("1 ✘ two") == 2 for row in rows)
        assert "✘ two devices" in stage.screen_text()
        assert "✔ one device" in stage.screen_text()


async def test_a_finding_is_explained_in_full_and_leads_to_its_evidence() -> None:
    async with on_stage(size=(100, 50)) as stage:
        await stage.addresses()
        await stage.press("d")
        assert isinstance(stage.app.screen, FindingScreen)
        text = " ".join(stage.app.screen.text().plain.split())
        for part in (
            DUPLICATE_FINDING.summary, DUPLICATE_FINDING.cause, DUPLICATE_FINDING.remedy,
            DUPLICATE_FINDING.caution or "?", "99.9 % sure",
            *(piece.text for piece in DUPLICATE_FINDING.evidence),
        ):  # fmt: skip
            assert part in text
        await stage.press("e")
        assert isinstance(stage.app.screen, FramesScreen)
        listed = stage.app.screen.query_one(FrameList)
        marked = listed.exchange_at(listed.cursor)
        assert marked is not None
        assert marked.number == 1
        await stage.press("b", "b")
        assert isinstance(stage.app.screen, WorkScreen)


async def test_a_cleared_finding_goes_and_faults_stand_first() -> None:
    async with on_stage() as stage:
        await stage.wiring_done()
        assert [f.severity for f in stage.app.state.ordered_findings] == [
            "fault", "fault", "note",
        ]  # fmt: skip
        stage.session.emit(events.FindingCleared(CT_FINDING.code, 2))
        await stage.settle()
        assert CT_FINDING.summary not in stage.screen_text()
        assert DUPLICATE_FINDING.summary in stage.screen_text()


# -- wiring ---------------------------------------------------------------------------------


async def test_the_load_as_entered_goes_to_the_session() -> None:
    async with on_stage() as stage:
        await stage.addresses()
        await stage.press("5", "right")
        stage.app.screen.query_one("#load", Input).value = "1500"
        stage.app.screen.query_one("#plan", Select).value = "L2"
        await stage.settle()
        await stage.press("s")
        assert stage.session.calls[-1] == ("check_wiring", (2, KnownLoad(1500.0, phase="L2")))


async def test_a_load_without_power_is_refused() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("5")
        for entered in ("", "0", "-5", "-"):
            stage.app.screen.query_one("#load", Input).value = entered
            await stage.press("s")
            assert all(name != "check_wiring" for name, _ in stage.session.calls), entered


async def test_the_request_stands_with_its_caution_and_all_answers() -> None:
    async with on_stage() as stage:
        await stage.wiring_asked()
        text = stage.screen_text()
        assert "Switch the load on at L1." in text
        assert "Caution: Use a load with an intact plug" in text
        for answer in ("y Done", "n Cannot", "h Simulated hands"):
            assert answer in text
        await stage.press("y")
        assert stage.session.calls[-1] == ("answer", (True,))
        assert stage.app.state.prompt is None
        await stage.play()
        assert "Switch the load off at L1." in stage.screen_text()


async def test_a_refusal_ends_the_check() -> None:
    async with on_stage() as stage:
        await stage.wiring_asked()
        await stage.press("n")
        assert stage.session.calls[-1] == ("answer", (False,))
        await stage.play()
        assert stage.app.state.steps[Step.WIRING].state is StepState.STOPPED


async def test_simulated_hands_are_not_offered_where_there_are_none() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("5")
        stage.session.emit(events.StepStarted(Step.WIRING, "Reads the meter."))
        stage.session.emit(events.OperatorAsked("Switch on.", "L1", True, answerable=False))
        await stage.settle()
        assert "Simulated hands" not in stage.screen_text()
        await stage.press("h")
        assert ("let_hands", ()) not in stage.session.calls


async def test_the_verdict_shows_explanations_remedy_and_wiring() -> None:
    async with on_stage() as stage:
        await stage.wiring_done()
        text = stage.screen_text()
        for expected in (
            "✘ FAULT", "99.9 % sure", "CT L2 reversed", "under 1 %", "Remedy: Turn the CT of L2",
            "← L2 reversed", "→ L2 ✘ wrong", "✔ right",
        ):  # fmt: skip
            assert expected in text


async def test_another_explanation_shows_its_own_wiring_and_remedy() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.wiring_done()
        stage.app.screen.query_one("#explanations").focus()
        await stage.press("down")
        text = stage.screen_text()
        assert "Swap the CTs of L2 and L3" in text
        assert "← L2 reversed" in text
        assert "→ L3 ✘ wrong" in text


async def test_the_meter_cannot_be_changed_while_its_wiring_is_checked() -> None:
    async with on_stage() as stage:
        await stage.wiring_asked()
        await stage.press("right")
        assert stage.app.state.selected == 2


# -- frames ---------------------------------------------------------------------------------


async def test_frames_say_who_spoke_when_and_what_it_means() -> None:
    async with on_stage() as stage:
        await go_to(stage, "frames")
        text = stage.screen_text()
        assert "PC → 2" in text
        assert "read holding registers 40000..40001" in text
        assert "exception 2: illegal data address" in text
        for part in ("02 address 2", "83 refuses: read", "02 illegal data address", "30 F1 check"):
            assert part in text
        assert "answer began 13.0 ms after the request" in text


async def test_frames_can_be_narrowed_to_trouble_and_to_one_address() -> None:
    async with on_stage() as stage:
        await stage.addresses()
        await stage.press("f", "e", "home")
        listed = stage.app.screen.query_one(FrameList)
        assert 0 < listed.entry_count() < len(stage.app.state.exchanges)
        await stage.press("a")
        only = {listed.exchange_at(i).request.address for i in range(listed.entry_count())}  # type: ignore[union-attr]
        assert only == {1}
        await stage.press("a", "e")
        assert listed.entry_count() == len(stage.app.state.exchanges)


async def test_frames_follow_the_bus_until_the_technician_moves() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("w", "f")
        listed = stage.app.screen.query_one(FrameList)
        await stage.play(9)
        assert listed.cursor == len(stage.app.state.exchanges) - 1
        await stage.press("up")
        here = listed.cursor
        await stage.play(9)
        assert listed.cursor == here
        await stage.press("l")
        assert listed.cursor == len(stage.app.state.exchanges) - 1


# -- everywhere -----------------------------------------------------------------------------


async def test_themes_change_everything_at_once() -> None:
    async with on_stage() as stage:
        await stage.find()
        seen = {stage.app.theme}
        for _ in range(3):
            await stage.press("t")
            seen.add(stage.app.theme)
        assert seen == {
            "busprobe-dark", "busprobe-light", "busprobe-contrast-dark", "busprobe-contrast-light",
        }  # fmt: skip


async def test_leaving_closes_the_session() -> None:
    session = FakeSession()
    async with on_stage(make_app(session=session)) as stage:
        await stage.open()
        await stage.pilot.press("q")
    assert ("stop", ()) in session.calls
    assert session.calls[-1] == ("close", ())


async def test_a_named_link_is_opened_at_once() -> None:
    async with on_stage(make_app(link="sim:demo")) as stage:
        assert stage.session.calls == [("open", ("sim:demo", None))]


async def test_a_step_that_fails_says_how() -> None:
    async with on_stage() as stage:
        await stage.open()
        stage.session.emit(events.StepStarted(Step.FIND, "Asks."))
        stage.session.emit(
            events.StepFinished(Step.FIND, StepEnd.FAILED, "Another master holds the line.")
        )
        await stage.settle()
        assert "✘ failed: Another master holds the line." in stage.screen_text()


# -- beside the job -------------------------------------------------------------------------


async def test_what_is_known_of_an_adapter_stands_below_the_list() -> None:
    async with on_stage(size=(120, 40)) as stage:
        text = stage.screen_text()
        for part in ("0403:6001", "A50285BI", "ftdi_sio", "holds bytes back", "16 ms"):
            assert part in text
        assert "Opens the port and only listens" in text
        assert "▲ /dev/ttyUSB0 may hold received bytes back for 16 ms" in text
        await stage.press(*("down",) * 5)
        assert "2026-01-05_091000.busprobe" in stage.screen_text()
        assert "Plays a recorded visit back" in stage.screen_text()
        assert stage.app.screen.query_one("#argument", Input).value.startswith("replay:/visits/")


async def test_a_host_that_was_reached_is_remembered() -> None:
    async with on_stage() as stage:
        stage.app.screen.query_one("#argument", Input).value = "tcp://10.0.0.7"
        await stage.press("s")
        await stage.press("1", "r")
        assert "tcp://10.0.0.7" in [choice.argument for choice in stage.app.choices()]


async def test_the_computer_is_looked_at_and_what_is_to_be_mended_comes_first() -> None:
    async with on_stage() as stage:
        await stage.press("U")
        text = stage.screen_text()
        assert text.index("✘ mend") < text.index("• note") < text.index("✔ fine")
        assert "Join group dialout." in text
        await stage.press("r", "b")
        assert isinstance(stage.app.screen, WorkScreen)


async def test_pasted_bytes_are_explained_while_typing() -> None:
    async with on_stage() as stage:
        await stage.press("j")
        field = stage.app.screen.query_one("#hex", Input)
        assert field.has_focus
        field.value = "01 03 00 00 00 02 C4 0B FF"
        await stage.settle()
        text = stage.screen_text()
        assert "address 1: read 2 holding registers 0 to 1" in text
        assert "no frame" in text
        field.value = "zz"
        await stage.settle()
        assert "▲" in stage.screen_text()
        await stage.press("escape")
        assert isinstance(stage.app.screen, WorkScreen)


async def test_the_bytes_of_an_exchange_can_be_explained() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "frames")
        await stage.press("c")
        text = stage.screen_text()
        assert "address 2: read" in text
        assert "exception" in text


async def test_beside_another_master_nothing_is_asked_unless_insisted_on() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("i")
        assert stage.session.calls[-1][0] == "open"
        stage.session.emit(
            events.FindingRaised(replace(NOTE, code="foreign-master", summary="Somebody polls."))
        )
        stage.session.emit(events.StepFinished(Step.FIND, StepEnd.FAILED, "Somebody polls."))
        await stage.settle()
        assert "i to ask anyway" in stage.screen_text()
        await stage.press("i")
        assert stage.session.calls[-1] == ("find", ("insist",))


async def test_a_first_plan_is_written_and_offered_for_the_verification() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await stage.find()
        await stage.press("7", "P")
        assert stage.session.calls[-1] == ("write_plan", ())
        await stage.play()
        assert stage.app.screen.query_one("#plan-file", Input).value == "visits/first.plan.yaml"
        assert "Fill in roles and ratings" in stage.screen_text()


async def test_evidence_is_gone_through_exchange_by_exchange() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "finding")
        assert "another device" in stage.screen_text()
        await stage.press("right")
        text = stage.screen_text()
        assert "both / unknown" in text
        assert "30417790" in text
        await stage.press("e")
        listed = stage.app.screen.query_one(FrameList)
        marked = listed.exchange_at(listed.cursor)
        assert marked is not None
        assert marked.number > 250


async def test_the_wiring_is_drawn_as_found_and_as_it_should_be() -> None:
    async with on_stage(size=(120, 40)) as stage:
        await go_to(stage, "wiring-phasors")
        text = stage.screen_text()
        assert "as wired" in text
        assert "as it should be" in text


@pytest.mark.parametrize("address", [2, 10, 240])
async def test_a_device_that_refuses_answers_and_is_told_whole_in_a_narrow_box(
    address: int,
) -> None:
    async with on_stage() as stage:
        await stage.find()
        state = stage.app.state
        state.findings.clear()
        beside = (3, 4, address)  # as many as leave each a narrow box
        state.devices = {a: replace(state.devices[2], address=a) for a in beside}
        state.outcomes[address] = Outcome.EXCEPTION
        state.selected = address
        stage.app.refresh_screens()
        await stage.settle()
        assert f"{address} ✔ answers" in stage.screen_text()


async def test_a_link_that_is_typed_takes_the_place_of_the_proposed_one() -> None:
    async with on_stage() as stage:
        field = stage.app.screen.query_one("#argument", Input)
        assert field.value == "/dev/ttyUSB0"
        await stage.press("tab", *"COM3")
        assert field.value == "COM3"


async def test_escape_leaves_a_field_so_that_digits_are_keys_again() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("8")
        field = stage.app.screen.query_one("#bench-address", Input)
        field.focus()
        await stage.press("3")
        assert (field.value, step_shown(stage)) == ("3", Step.BENCH)
        await stage.press("escape", "3")
        assert (field.value, step_shown(stage)) == ("3", Step.ADDRESSES)


async def test_how_far_a_step_is_stands_below_what_it_does() -> None:
    told = "Reads this and that, " * 7 + "and nothing is written."
    async with on_stage() as stage:
        await stage.open()
        await stage.press("8")
        stage.app.state.apply(events.StepStarted(Step.BENCH, told))
        stage.app.state.apply(events.StepProgress(Step.BENCH, 1, 4, 20.0, "asking"))
        stage.app.screen.query_one(BenchPane).refresh_state()
        await stage.settle()
        rows = stage.screen_text().splitlines()
        progress = [row for row in rows if "20 s left" in row]
        assert len(progress) == 1
        assert "asking" in progress[0]
        assert "this and that" not in progress[0]
        assert sum("this and that" in row for row in rows) == 3


async def test_a_next_step_that_no_row_holds_is_told_whole() -> None:
    async with on_stage() as stage:
        await stage.open()
        stage.session.emit(
            events.LinkLost(
                LinkError(
                    "There is no port.",
                    "Plug the adapter in and see 'busprobe ports' for the names of the ports, then "
                    "open the link again.",
                )
            )
        )
        await stage.press("1")
        rows = stage.screen_text().splitlines()
        assert "Next: Plug the adapter in" in rows[1]
        assert "open the link again." in rows[2]
        # The last column stays free.
        assert rows[1].endswith(" ")
