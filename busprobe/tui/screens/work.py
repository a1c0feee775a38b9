"""The work screen: job at the left, bus on top, step in the middle, findings in sight."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar, Protocol, cast

from rich.style import Style
from rich.text import Text
from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Input

from busprobe.session.events import Step
from busprobe.session.wishes import ReportWish
from busprobe.tui import words
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.options import known_of_people, search_wish
from busprobe.tui.screens.bench_pane import BenchPane
from busprobe.tui.screens.energy_pane import EnergyPane
from busprobe.tui.screens.energy_pane import View as EnergyView
from busprobe.tui.screens.handover_pane import HandoverPane
from busprobe.tui.screens.line_pane import LinePane
from busprobe.tui.screens.line_pane import View as LineView
from busprobe.tui.screens.link_pane import ChoiceList, LinkPane
from busprobe.tui.screens.panes import Panes
from busprobe.tui.screens.settings_tour import SettingsTourScreen
from busprobe.tui.screens.wiring_pane import WiringPane
from busprobe.tui.screens.work_sheets import WorkSheets
from busprobe.tui.session_port import EXERCISES
from busprobe.tui.widgets.bench_picture import View as BenchView
from busprobe.tui.widgets.bus_strip import BusStrip
from busprobe.tui.widgets.device_panel import DevicePanel
from busprobe.tui.widgets.findings_list import FindingsList
from busprobe.tui.widgets.job_list import STEPS, JobList
from busprobe.tui.widgets.key_line import KeyLine
from busprobe.tui.widgets.line_list import LineList
from busprobe.tui.widgets.lines import NextLine, TitleLine, TourStrip
from busprobe.tui.widgets.panel import CanvasPanel, Prose
from busprobe.tui.widgets.training_strip import TrainingStrip

if TYPE_CHECKING:
    from busprobe.model.line import LineSettings

_VIEWED = (Step.FIND, Step.LINE, Step.WIRING, Step.ENERGY, Step.BENCH)
# Where a device need not be known before the step starts.
_WITHOUT_DEVICES = (Step.FIND, Step.HANDOVER, Step.BENCH)


class _Pane(Protocol):
    """What every pane can do."""

    def refresh_state(self) -> None:
        """Show the state of the job as it is now."""


class WorkScreen(WorkSheets):
    """Everything but frames, explanations and help."""

    SCOPE = Scope.WORK
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.WORK)
    """Made from the table of actions."""

    DEFAULT_CSS = """
    WorkScreen #frame { height: 1fr; }
    WorkScreen #body { height: 1fr; }
    WorkScreen #middle { width: 1fr; height: 1fr; }
    WorkScreen BusStrip { margin: 0 1; }
    WorkScreen #options { height: auto; max-height: 2; margin: 0 1; display: none; }
    WorkScreen #panes { height: 1fr; }
    WorkScreen #findings { height: 4; }
    """

    def __init__(self) -> None:
        super().__init__()
        self._was_open = False
        self._plan_state: Path | None = None

    @property
    def help_topic(self) -> str:
        """Which help text belongs to what is shown."""
        return self.step

    def compose(self) -> ComposeResult:
        """The whole frame."""
        yield TitleLine(id="title")
        yield TourStrip(self._app.tour, id="tour")
        yield TrainingStrip(self._app.training, id="training")
        yield NextLine(id="next")
        with Vertical(id="frame"):
            with Horizontal(id="body"):
                yield JobList(id="job")
                with Vertical(id="middle"):
                    yield BusStrip(id="bus")
                    yield Prose(id="options")
                    yield Panes(
                        LinkPane(self._app.choices(), self._app.link_argument, self._app.settings)
                    )
            yield FindingsList(id="findings")
        yield KeyLine(Scope.WORK, id="keys")

    def on_mount(self) -> None:
        """Start where the job starts."""
        self.query_one(ChoiceList).focus()
        self.refresh_state()

    def refresh_state(self) -> None:
        """Show the state of the job as it is now."""
        strip = self.query_one_optional("#tour", TourStrip)
        if strip is None:
            return  # Not composed yet, or about to leave.
        state = self.state
        if state.is_open and not self._was_open and self.step is Step.LINK:
            self._show(Step.FIND)
        self._was_open = state.is_open
        tour = self._app.tour
        if tour is not None:
            tour.advance(state, self.step, self._app.finding_was_read)
        strip.set_class(tour is not None and not tour.over, "-on")
        self.query_one(NextLine).step = self.step
        job = self.query_one(JobList)
        job.current = self.step
        for name in ("#title", "#tour", "#training", "#next", "#bus", "#keys"):
            self.query_one(name, CanvasPanel).refresh_state()
        job.refresh_state()
        self._show_options()
        self.query_one(FindingsList).refresh_state()
        pane: object = self.query_one(f"#pane-{self.step}")
        cast(_Pane, pane).refresh_state()

    def _show_options(self) -> None:
        """What was chosen beyond the usual is never out of sight."""
        told = self.chosen(self.step).told()
        if self.step in (Step.HANDOVER, Step.BENCH) and (data := self.report_data.told()):
            told += f"{'; ' if told else ''}report: {data}"
        shown = self.query_one("#options", Prose)
        shown.display = bool(told)
        text = Text("Options (O): ", Style(color=shown.colours.accent, bold=True))
        shown.show(text.append(words.safe(told), Style(color=shown.colours.ink)))

    def _show(self, step: Step) -> None:
        self.step = step
        self.query_one(Panes).current = f"pane-{step}"
        job = self.query_one(JobList)
        job.set_reactive(LineList.cursor, STEPS.index(step))
        if step is Step.LINK:
            self.query_one(ChoiceList).focus()
        elif self.focused is not None and self.focused is not job:
            self.set_focus(self.query_one(FindingsList) if self.state.findings else job)

    async def on_line_list_chosen(self, message: LineList.Chosen) -> None:
        """Open what was chosen in one of the lists."""
        control = message.control
        if isinstance(control, JobList):
            await self.action_show_step(STEPS[message.index])
        elif isinstance(control, FindingsList):
            self.action_details()
        elif isinstance(control, ChoiceList):
            self.action_start()

    def on_line_list_moved(self, message: LineList.Moved) -> None:
        """A device chosen in the address list is the selected device."""
        addresses = self.state.addresses
        lists_devices = message.control.id in ("address-list", "role-list")
        if lists_devices and message.index < len(addresses):
            self.state.selected = addresses[message.index]
            self.refresh_state()

    def on_bus_strip_selected(self, message: BusStrip.Selected) -> None:
        """A device was clicked on the bus line."""
        if self.state.running is Step.WIRING:
            return
        self.state.selected = message.address
        self.refresh_state()

    def on_key(self, event: events.Key) -> None:
        """Escape leaves a field: letters and digits are keys again."""
        if event.key == "escape" and isinstance(self.focused, Input):
            event.stop()
            self.set_focus(None)

    def on_input_submitted(self) -> None:
        """Enter in a field starts the step."""
        self.action_start()

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Whether an action is possible now."""
        state = self.state
        prompt = state.prompt
        idle = state.running is None
        checks: dict[str, Callable[[], bool]] = {
            "answer": lambda: prompt is not None,
            "let_hands": lambda: prompt is not None and prompt.answerable,
            "start": self._can_start,
            "stop": lambda: state.running is not None or bool(state.watched),
            "device": lambda: len(state.devices) > 1 and state.running is not Step.WIRING,
            "watch": lambda: state.is_open and bool(state.devices) and state.running is None,
            "view": lambda: self._can_view(),
            "every_setting": lambda: self.step is Step.BENCH and self._can_start(),
            "find_fast": lambda: self.step is Step.FIND and self._can_start(),
            "listen": lambda: self.step is Step.LINE and state.is_open and state.running is None,
            "paper": lambda: self.step is Step.LINE,
            "options": lambda: idle,
            "series": lambda: idle and self.step in (Step.WIRING, Step.ENERGY),
            "export": lambda: idle and self.step is Step.HANDOVER,
            "report_data": lambda: idle and self.step in (Step.HANDOVER, Step.BENCH),
            "readdress": self._can_readdress,
            "separate": self._can_readdress,
            "role": lambda: self.step is Step.ENERGY and bool(state.devices) and idle,
            "report": self._can_report,
            "insist": lambda: self._can_start() and self._others_talk(),
            "first_plan": lambda: (
                self.step is Step.HANDOVER and state.is_open and bool(state.devices) and idle
            ),
            "details": lambda: bool(state.findings),
            "ports": lambda: self.step is Step.LINK,
            "skip_tour": lambda: self._app.tour is not None and not self._app.tour.over,
            "training": lambda: self._app.training is not None,
            "causes": lambda: self._exercise_is_open,
            "time_lapse": lambda: self._exercise_is_open,
        }
        check = checks.get(action)
        return True if check is None else check()

    def _can_start(self) -> bool:
        state = self.state
        if state.running is not None:
            return False
        if self.step is Step.LINK:
            return True
        if not state.is_open:
            return False
        if self.step is Step.LINE and (self._app.expected or self._app.plan_file):
            return True
        return self.step in _WITHOUT_DEVICES or bool(state.devices)

    def _can_view(self) -> bool:
        if self.step is Step.BENCH:
            return bool(self.state.bench_checks)
        return bool(self.state.devices) and self.step in _VIEWED

    def _can_report(self) -> bool:
        state = self.state
        if not state.is_open or state.running is not None:
            return False
        return self.step is Step.HANDOVER or (self.step is Step.BENCH and state.bench is not None)

    async def action_show_step(self, step: str) -> None:
        """Show a step; its pane is whole before anybody is told of it."""
        shown = Step(step)
        await self.query_one(Panes).make(shown)
        self._show(shown)
        self.refresh_state()

    def show_found(self) -> None:
        """Show what was found on the line."""
        self._show(Step.FIND)
        self.refresh_state()

    def action_start(self) -> None:
        """Start the step that is shown."""
        if not self._can_start():
            return
        session = self._app.session
        state = self.state
        match self.step:
            case Step.LINK:
                chosen = self.chosen(Step.LINK)
                argument, settings = self.query_one(LinkPane).wish(chosen.number("other-rate"))
                if argument == EXERCISES.argument and self._app.training is not None:
                    self._app.choose_exercise()
                    return
                if not argument:
                    self.notify("Choose a link, or type one.", markup=False)
                    return
                self._app.open_link(
                    argument, settings, chosen.path("record-file"), kept=chosen.yes("keep")
                )
            case Step.FIND:
                session.find(wish=search_wish(self.chosen(Step.FIND)))
            case Step.ADDRESSES:
                wished = cast(
                    "tuple[int, ...]", self.chosen(Step.ADDRESSES).value("check-addresses")
                )
                session.check_addresses(wished or state.addresses)
            case Step.LINE:
                self.query_one(LinePane).begin(self.chosen(Step.LINE))
            case Step.ENERGY:
                self._start_balance()
            case Step.HANDOVER:
                wish = self.query_one(HandoverPane).wish(self.chosen(Step.HANDOVER))
                if isinstance(wish, str):
                    self.notify(wish, markup=False)
                else:
                    state.checks.clear()
                    self._plan_state = wish.state_file
                    session.verify(wish)
            case Step.BENCH:
                self._start_bench(every_setting=False)
            case _:
                self._start_wiring()
        self.refresh_state()

    def _start_wiring(self) -> None:
        from busprobe.diagnosis.wiring import MeterSystem

        chosen = self.chosen(Step.WIRING)
        load = self.query_one(WiringPane).load((chosen.number("tolerance") or 10.0) / 100)
        address = self.state.selected
        if isinstance(load, str):
            self.notify(load, markup=False)
        elif address is not None:
            self.state.wiring_address = address
            system = str(chosen.value("system"))
            self._app.session.check_wiring(
                address, load, system=MeterSystem(system) if system else None,
                passive_s=chosen.number("passive") or 180.0,
            )  # fmt: skip

    def _start_bench(self, *, every_setting: bool) -> None:
        pane = self.query_one(BenchPane)
        chosen = self.chosen(Step.BENCH)
        wish = pane.wish(chosen.number("nominal") or 230.0, with_cts=chosen.yes("with-cts"))
        if isinstance(wish, str):
            self.notify(wish, markup=False)
            return
        pane.show_view(BenchView.CHECKS)
        self.state.bench_tour = None
        report = self._report_wish() if self.report_data.told() else ReportWish()
        only = cast("tuple[LineSettings, ...]", self.chosen(Step.BENCH).value("at"))
        self._app.session.bench(
            replace(wish, every_setting=every_setting, only=only, report=report)
        )

    def action_every_setting(self) -> None:
        """Show what testing at every line setting writes, and ask."""
        address = self.query_one(BenchPane).address
        if address is None:
            self.notify("Give the address of the meter, 1 to 247.", markup=False)
            return
        self.state.bench_tour = None
        only = cast("tuple[LineSettings, ...]", self.chosen(Step.BENCH).value("at"))
        self._app.session.plan_tour(address, only)
        self.app.push_screen(SettingsTourScreen(), self._tour_answered)

    def _tour_answered(self, confirmed: bool | None) -> None:
        if confirmed:
            self._start_bench(every_setting=True)
        self.refresh_state()

    def _start_balance(self) -> None:
        pane = self.query_one(EnergyPane)
        obstacle = pane.obstacle()
        if obstacle:
            self.notify(obstacle, markup=False)
            return
        chosen = self.chosen(Step.ENERGY)
        meters = pane.meters(
            cast("dict[int, float]", chosen.value("ratings")), str(chosen.value("generation"))
        )
        duration_s = chosen.number("own-duration") or pane.duration_s
        self.state.balance_addresses = {name: address for address, (name, _) in meters.items()}
        pane.show_view(EnergyView.FLOW)
        self._app.session.check_balance(meters, duration_s, pane.curtail)

    def action_find_fast(self) -> None:
        """Search quickly."""
        self._app.session.find(fast=True, wish=search_wish(self.chosen(Step.FIND)))

    def _others_talk(self) -> bool:
        heard = any(code == "foreign-master" for code, _ in self.state.findings)
        return heard and self.step in (Step.FIND, Step.LINE)

    def action_insist(self) -> None:
        """Ask although another master is heard."""
        if not self.check_action("insist", ()):
            return
        if self.step is Step.FIND:
            self._app.session.find(insist=True, wish=search_wish(self.chosen(Step.FIND)))
        else:
            self.query_one(LinePane).begin(self.chosen(Step.LINE), insist=True)

    def action_first_plan(self) -> None:
        """Write a first plan from what was found."""
        if self.check_action("first_plan", ()):
            self._app.session.write_plan(self.chosen(Step.HANDOVER).path("plan-out"))

    def action_listen(self) -> None:
        """Hear what others say, at the settings of the link or at those that are found."""
        pane = self.query_one(LinePane)
        pane.show_view(LineView.HEARD)
        own_s = self.chosen(Step.LINE).number("own-listen")
        self._app.session.listen(own_s or pane.listen_s, None)

    def action_role(self) -> None:
        """Change what the selected meter is said to measure."""
        if self.state.selected is not None:
            self.query_one(EnergyPane).next_role(self.state.selected)

    def action_report(self) -> None:
        """Write the report of this visit."""
        self._app.session.write_report(self._report_wish())

    def _report_wish(self) -> ReportWish:
        data = self.report_data
        return ReportWish(
            data.path("checks") or self._plan_state,
            data.path("details"),
            known_of_people(data),
            cast("tuple[tuple[Path, str], ...]", data.value("photos")),
            data.paths("more"),
            data.paths("as-left"),
            data.yes("pdf"),
        )

    def action_stop(self) -> None:
        """Stop what runs."""
        self.state.watched = ()
        self._app.session.stop()
        self.refresh_state()

    def action_device(self, by: int) -> None:
        """Select the next device on the bus line."""
        addresses = self.state.addresses
        if addresses:
            selected = self.state.selected
            here = addresses.index(selected) if selected in addresses else 0
            self.state.selected = addresses[(here + by) % len(addresses)]
            self.refresh_state()

    def action_watch(self) -> None:
        """Watch all devices, or stop watching."""
        if self.state.watched:
            self.action_stop()
            return
        self.state.watched = self.state.addresses
        period_s = self.chosen(Step.FIND).number("watch-every") or 1.0
        self._app.session.watch(self.state.watched, period_s)
        self.refresh_state()

    def action_view(self) -> None:
        """Change the view."""
        match self.step:
            case Step.WIRING:
                self.query_one(WiringPane).next_view()
            case Step.LINE:
                self.query_one(LinePane).next_view()
            case Step.ENERGY:
                self.query_one(EnergyPane).next_view()
            case Step.BENCH:
                self.query_one(BenchPane).next_view()
            case _:
                self.query_one("#device", DevicePanel).next_view()

    def action_ports(self) -> None:
        """Look again for ports."""
        self.query_one(LinkPane).set_choices(self._app.choices())

    def action_answer(self, done: bool) -> None:
        """Answer what was asked."""
        if self.state.prompt is not None:
            self.state.prompt = None
            self._app.session.answer(done)
            self.refresh_state()

    def action_let_hands(self) -> None:
        """Let simulated hands do it."""
        if self.state.prompt is not None and self.state.prompt.answerable:
            self.state.prompt = None
            self.state.hands_help = True
            self._app.session.let_hands()
            self.refresh_state()

    def action_skip_tour(self) -> None:
        """End the tour."""
        if self._app.tour is not None:
            self._app.tour.skip()
            self.refresh_state()
