"""The options of each step, driven by keys: what was typed reaches the session."""

from __future__ import annotations

from pathlib import Path

import pytest
from stage import Stage, make_app, on_stage
from textual.widgets import Input, Select

from busprobe.diagnosis.balance import Positive
from busprobe.diagnosis.bench import CLASSES
from busprobe.diagnosis.wiring import KnownLoad, MeterSystem
from busprobe.model.line import LineSettings, Parity
from busprobe.session.events import Step
from busprobe.session.handover import VerifyWish
from busprobe.session.wishes import ReportWish, SearchWish
from busprobe.site.items import Group
from busprobe.tui.form import mistakes
from busprobe.tui.options import CHECK_GROUPS, OPTIONS, REPORT, SYSTEMS, Chosen
from busprobe.tui.screens.bench_pane import _CLASSES
from busprobe.tui.screens.energy_pane import EnergyPane
from busprobe.tui.screens.options import OptionsScreen
from busprobe.tui.screens.work import WorkScreen


async def choose(stage: Stage, opens: str, **wanted: str) -> None:
    """Open a sheet of options by its key, fill fields, take over by Enter."""
    stage.app.screen.set_focus(None)
    await stage.press(opens)
    screen = stage.app.screen
    assert isinstance(screen, OptionsScreen)
    for name, text in wanted.items():
        widget = screen.query_one(f"#{name.replace('_', '-')}")
        if isinstance(widget, Select):
            widget.value = text
            continue
        assert isinstance(widget, Input)
        widget.value = text
    screen.query(Input).first().focus()
    await stage.press("enter")
    assert isinstance(stage.app.screen, WorkScreen)


async def test_a_search_of_some_addresses() -> None:
    async with on_stage() as stage:
        await stage.open()
        await choose(stage, "O", addresses="1-3,100", second_round="no", listen_first="0.5")
        assert "Options (O): Addresses 1-3,100, Second round no" in stage.screen_text()
        await stage.press("s")
        wish = SearchWish((1, 2, 3, 100), second_round=False, listen_first_s=0.5)
        assert stage.session.calls[-1] == ("find", (wish,))


async def test_a_mistake_keeps_the_sheet_open_and_says_what_to_do() -> None:
    async with on_stage() as stage:
        await stage.open()
        await stage.press("O", *"1-300", "enter")
        assert isinstance(stage.app.screen, OptionsScreen)
        told = " ".join(stage.screen_text().split())
        assert "Addresses: Address 300 is out of range. Modbus devices have addresses" in told
        await stage.press("escape", "s")
        assert stage.session.calls[-1] == ("find", ())


async def test_everything_goes_back_to_the_usual_with_one_key() -> None:
    async with on_stage() as stage:
        await stage.open()
        await choose(stage, "O", addresses="1-3")
        await stage.press("O", "ctrl+r")
        assert "Options (O)" not in stage.screen_text()
        await stage.press("s")
        assert stage.session.calls[-1] == ("find", ())


async def test_live_values_as_often_as_wished() -> None:
    async with on_stage() as stage:
        await stage.find()
        await choose(stage, "O", watch_every="5")
        await stage.press("w")
        assert stage.session.calls[-1] == ("watch", ((1, 2, 10), 5.0))


async def test_a_link_at_any_rate_and_its_recording() -> None:
    async with on_stage() as stage:
        await choose(stage, "O", other_rate="250000", record_file="/tmp/visit.busprobe")
        await stage.press("s")
        settings = LineSettings(250_000, Parity.NONE, 1)
        assert stage.session.calls[-1][1][1:] == (settings, "/tmp/visit.busprobe")
        await stage.press("1")
        await choose(stage, "O", other_rate="", record_file="", keep="no")
        await stage.press("s")
        assert stage.session.calls[-1][1][1:] == (None, "not kept")


async def test_addresses_of_the_duplicates_and_of_the_line() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("3")
        await choose(stage, "O", check_addresses="1-2")
        await stage.press("s")
        assert stage.session.calls[-1] == ("check_addresses", ((1, 2),))
        await stage.play()
        await stage.press("4")
        await choose(stage, "O", line_addresses="2,10", own_soak="45", own_listen="5")
        await stage.press("s")
        assert stage.session.calls[-1] == ("check_line", ((2, 10), 45.0))
        await stage.play()
        await stage.press("l")
        assert stage.session.calls[-1] == ("listen", (5.0, None))


async def test_tolerance_of_the_load_and_system_of_the_meter() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("5", "right")
        await choose(stage, "O", tolerance="2.5", system="3p3w")
        assert "Options (O): Load known to/% 2.5, Connected as 3 phases," in stage.screen_text()
        await stage.press("s")
        load = KnownLoad(2000.0, 0.025)
        system = MeterSystem("3p3w")
        assert stage.session.calls[-1] == ("check_wiring", (2, load, system))


async def test_without_a_load_the_wiring_is_only_watched() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("5", "right")
        await choose(stage, "O", passive="60")
        stage.app.screen.query_one("#plan", Select).value = "watch"
        await stage.press("s")
        assert stage.session.calls[-1] == ("check_wiring", (2, None, 60.0))


async def test_ratings_and_the_sign_of_generators() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("6")
        await choose(stage, "O", ratings="2:6000", generation="gives", own_duration="42")
        stage.app.screen.query_one(EnergyPane).query_one("#role-list").chosen.update(  # type: ignore[attr-defined]
            {1: "grid", 2: "generator", 10: ""}
        )
        await stage.press("s")
        name, (meters, duration_s, _) = stage.session.calls[-1]
        assert (name, duration_s) == ("check_balance", 42.0)
        assert isinstance(meters, dict)
        assert meters[2][1].rated_w == 6000.0
        assert meters[2][1].positive is Positive.INTO_SITE


async def test_how_a_plan_is_verified() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("7")
        await choose(
            stage, "O", only="find,wiring", verify_watch="600", verify_insist="yes",
            verify_tolerance="5", links="roof=tcp://192.168.1.20", kept_in="/tmp/mine.json",
        )  # fmt: skip
        stage.app.screen.query_one("#plan-file", Input).value = "/visit/mill.plan.yaml"
        stage.app.screen.query_one("#verify-load", Input).value = "1500"
        await stage.press("s")
        wish = VerifyWish(
            Path("/visit/mill.plan.yaml"), KnownLoad(1500.0, 0.05), kept_in=Path("/tmp/mine.json"),
            groups=("find", "wiring"), insist=True, watch_s=600.0,
            links=("roof=tcp://192.168.1.20",),
        )  # fmt: skip
        assert stage.session.calls[-1] == ("verify", (wish,))
        assert wish.state_file == Path("/tmp/mine.json")


async def test_customer_people_photos_and_a_pdf(tmp_path: Path) -> None:
    photo = tmp_path / "board.jpg"
    photo.write_bytes(b"")
    async with on_stage() as stage:
        await stage.find()
        await stage.press("7")
        await choose(
            stage, "D", customer="Mill Lane Dairy", technician="A. Example",
            photos=f"{photo}=Meter 2 with its CTs", pdf="yes",
        )  # fmt: skip
        assert "report: Customer Mill Lane Dairy" in " ".join(stage.screen_text().split())
        await stage.press("p")
        wish = ReportWish(
            known=(("site", "customer", "Mill Lane Dairy"), ("technician", "name", "A. Example")),
            photos=((photo, "Meter 2 with its CTs"),),
            pdf=True,
        )
        assert stage.session.calls[-1] == ("write_report", (wish,))


async def test_a_photo_that_is_not_there_is_told() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("7", "D")
        widget = stage.app.screen.query_one("#photos", Input)
        while not widget.has_focus:
            await stage.press("down")
        await stage.press(*"nowhere.jpg", "enter")
        told = " ".join(stage.screen_text().replace("│", "").split())
        assert "Photos: There is no file nowhere.jpg. Correct the name, or leave it empty." in told


async def test_the_bench_test_through_cts_at_chosen_settings() -> None:
    async with on_stage() as stage:
        await stage.find()
        await stage.press("8")
        await choose(stage, "O", nominal="120", with_cts="yes", at="19200-8E1")
        await stage.press("s")
        wish = stage.session.calls[-1][1][0]
        assert wish.plan.nominal_v == 120.0  # type: ignore[attr-defined]
        assert wish.plan.rating.with_cts  # type: ignore[attr-defined]
        assert wish.only == (LineSettings(19200, Parity.EVEN, 1),)  # type: ignore[attr-defined]
        await stage.play()
        await stage.press("u")
        assert stage.session.calls[-1] == ("plan_tour", (1, LineSettings(19200, Parity.EVEN, 1)))


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
@pytest.mark.parametrize("step", list(Step))
async def test_no_field_is_cut(step: Step, size: tuple[int, int]) -> None:
    async with on_stage(make_app(), size=size) as stage:
        stage.app.screen.set_focus(None)
        await stage.press(str(list(Step).index(step) + 1))
        stage.app.screen.set_focus(None)
        await stage.press("O")
        shown = stage.screen_text()
        for field in OPTIONS[step]:
            usual = next((label for label, value in field.choices if value == field.default), "")
            assert f"{field.label} " in shown
            assert (usual or field.default or field.placeholder) in shown


@pytest.mark.parametrize("fields", [*OPTIONS.values(), REPORT], ids=lambda f: f[0].name)
def test_the_usual_makes_sense_and_differs_from_nothing(fields: tuple) -> None:  # type: ignore[type-arg]
    assert mistakes(fields, {}) == {}
    assert Chosen(fields, {}).told() == ""


def test_names_that_are_not_loaded_before_the_first_picture_are_those_of_the_core() -> None:
    assert tuple(Group) == CHECK_GROUPS
    assert {value for _, value in SYSTEMS if value} == set(MeterSystem)
    assert set(_CLASSES) == set(CLASSES)
