"""The sheets that open over the work screen."""

from __future__ import annotations

from textual.screen import Screen

from busprobe.session.events import Step
from busprobe.tui import words
from busprobe.tui.host import OnHost
from busprobe.tui.options import OPTIONS, REPORT, Chosen
from busprobe.tui.screens.bytes import BytesScreen
from busprobe.tui.screens.computer import ComputerScreen
from busprobe.tui.screens.finding import FindingScreen
from busprobe.tui.screens.frames import FramesScreen
from busprobe.tui.screens.options import OptionsScreen
from busprobe.tui.screens.paper import PaperScreen, of_this_line
from busprobe.tui.screens.readdress import ReaddressScreen
from busprobe.tui.screens.separate import SeparateScreen
from busprobe.tui.screens.series import ExportScreen, SeriesScreen
from busprobe.tui.screens.training_exercise import ExerciseScreen
from busprobe.tui.series import exports_beside
from busprobe.tui.state import JobState
from busprobe.tui.widgets.findings_list import FindingsList


class WorkSheets(OnHost, Screen[None]):
    """What opens over the work screen, and what comes back from there."""

    def __init__(self) -> None:
        super().__init__()
        self.step = Step.LINK
        self._paper: dict[str, str] = {}
        self._chosen: dict[str, dict[str, str]] = {}

    @property
    def state(self) -> JobState:
        """What is known of the job."""
        return self._app.state

    def refresh_state(self) -> None:
        """Show the state of the job as it is now."""
        raise NotImplementedError

    @property
    def _exercise_is_open(self) -> bool:
        training = self._app.training
        return training is not None and training.given is not None

    def action_decode(self) -> None:
        """Explain pasted bytes."""
        self.app.push_screen(BytesScreen())

    def action_paper(self) -> None:
        """Reckon a line from its parts."""
        texts = self._paper or of_this_line(self.state)
        self.app.push_screen(PaperScreen(texts), self._paper_closed)

    def _paper_closed(self, texts: dict[str, str] | None) -> None:
        self._paper = texts or {}
        self.refresh_state()

    def action_options(self) -> None:
        """Change how the step that is shown works."""
        step = self.step
        self.app.push_screen(
            OptionsScreen(
                f"Options of {words.STEP_TITLES[step]}", "options", OPTIONS[step],
                self.chosen(step).texts,
            ),
            lambda texts: self._chose(step, texts),
        )  # fmt: skip

    def action_report_data(self) -> None:
        """Name customer, people, photos, further recordings."""
        sheet = OptionsScreen("For the report", "report-data", REPORT, self.report_data.texts)
        self.app.push_screen(sheet, lambda texts: self._chose("report", texts))

    def _chose(self, what: str, texts: dict[str, str] | None) -> None:
        if texts is not None:
            self._chosen[what] = texts
        self.refresh_state()

    def chosen(self, step: Step) -> Chosen:
        """The options of a step."""
        return Chosen(OPTIONS[step], self._chosen.get(step, {}))

    @property
    def report_data(self) -> Chosen:
        """What the report is made from, beside the recording."""
        return Chosen(REPORT, self._chosen.get("report", {}))

    def action_series(self) -> None:
        """Judge a recorded series."""
        site = self.step is Step.ENERGY
        kept = "site series" if site else "series"
        sheet = SeriesScreen(self._chosen.get(kept, {}), site=site)
        self.app.push_screen(sheet, lambda texts: self._chose(kept, texts))

    def action_export(self) -> None:
        """Write a recording as files for other programs."""
        texts = self._chosen.get("export") or exports_beside(self.state.recording)
        self.app.push_screen(ExportScreen(texts), lambda texts: self._chose("export", texts))

    def action_computer(self) -> None:
        """See whether this computer is ready."""
        self.app.push_screen(ComputerScreen())

    def action_readdress(self) -> None:
        """Give the selected device another address."""
        if self.state.selected is not None:
            self.app.push_screen(ReaddressScreen(self.state.selected), self._came_back)

    def action_separate(self) -> None:
        """Guide the separation of two meters at the selected address."""
        if self.state.selected is not None and self._can_readdress():
            self.app.push_screen(SeparateScreen(self.state.selected), self._came_back)

    def _came_back(self, _: None) -> None:
        self.refresh_state()

    def _can_readdress(self) -> bool:
        state = self.state
        known = state.selected in state.devices
        return self.step is Step.ADDRESSES and state.is_open and known and state.running is None

    def action_details(self) -> None:
        """Explain the marked finding."""
        listed = self.query_one(FindingsList)
        finding = listed.finding_at(listed.cursor)
        if finding is not None:
            self.app.push_screen(FindingScreen(finding), self._was_read)

    def _was_read(self, _: None) -> None:
        self._app.finding_was_read = True
        self.refresh_state()

    def action_frames(self) -> None:
        """List every exchange."""
        self.app.push_screen(FramesScreen())

    def action_training(self) -> None:
        """Choose an exercise, or read the one that is worked on."""
        if self._exercise_is_open:
            self.app.push_screen(ExerciseScreen())
        else:
            self._app.choose_exercise()

    def action_causes(self) -> None:
        """State the causes of the exercise."""
        self._app.open_causes()

    def action_time_lapse(self) -> None:
        """Let the time of the exercise run faster, or as it is."""
        self._app.next_speed()
