"""The terminal application: events in, pictures out; it never touches a link."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from busprobe.model.line import LineSettings
from busprobe.session.events import Step
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.host import Host
from busprobe.tui.palette import ActionProvider
from busprobe.tui.screens.handover_pane import HandoverPane
from busprobe.tui.screens.help import HelpScreen
from busprobe.tui.screens.leaving import LeavingScreen
from busprobe.tui.screens.training_causes import CausesScreen
from busprobe.tui.screens.training_exercise import ExerciseScreen
from busprobe.tui.screens.training_list import TrainingScreen
from busprobe.tui.screens.training_marks import MarksScreen
from busprobe.tui.screens.work import WorkScreen
from busprobe.tui.session_port import (
    KnownPort,
    Outlook,
    Session,
)
from busprobe.tui.theme import DARK, THEMES, variables
from busprobe.tui.training_port import Training

# Often enough to look alive, seldom enough to gather bursts into one picture.
_DRAIN_EVERY_S = 0.1


class BusprobeApp(Host):
    """The application over one session."""

    TITLE = "busprobe"
    SCOPE = Scope.APP
    BINDINGS: ClassVar[list[BindingType]] = bindings_for(Scope.APP)
    """Made from the table of actions."""

    COMMANDS = {ActionProvider}  # noqa: RUF012 (declared by the base class)
    HORIZONTAL_BREAKPOINTS = [  # noqa: RUF012
        (0, "-narrow"),
        (100, "-medium"),
        (160, "-wide"),
    ]
    VERTICAL_BREAKPOINTS = [(0, "-short"), (34, "-tall")]  # noqa: RUF012

    CSS_PATH = "busprobe.tcss"

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Colours of meaning for foreign themes."""
        return variables(DARK)

    def get_default_screen(self) -> WorkScreen:
        """The work screen lies under all others."""
        return WorkScreen()

    def on_mount(self) -> None:
        """Listen to the session, and open the link that was named."""
        # The listener runs on the session's thread: appending to a deque is all it may do.
        self.session.subscribe(self._waiting.append)
        self.set_interval(_DRAIN_EVERY_S, self.drain)
        if self.link_argument and self.tour is None:
            self.open_link(self.link_argument, self.settings)
        if self._begin_training:
            self.choose_exercise()

    # Training --------------------------------------------------------------------------------

    @property
    def plan_file(self) -> Path | None:
        """The plan that is open in the handover step, None without one."""
        pane = self.screen_stack[0].query_one_optional("#pane-handover", HandoverPane)
        return None if pane is None else pane.plan_file

    def choose_exercise(self) -> None:
        """Show all exercises."""
        if self.training is not None:
            self.push_screen(TrainingScreen())

    def begin_exercise(self, wish: str) -> None:
        """Give out an exercise, open its bus, and show what is known of it.

        Args:
            wish: Its name, NAME@SEED, or the path of a file.

        Raises:
            InputError: No such exercise, or its file is wrong.
        """
        if self.training is None:
            return
        given = self.training.begin(wish)
        self.stated = []
        while len(self.screen_stack) > 1:
            self.pop_screen()
        self.open_link(given.link, None)
        work = self.screen_stack[0]
        assert isinstance(work, WorkScreen)
        work.show_found()
        self.push_screen(ExerciseScreen())

    def open_causes(self) -> None:
        """Show the form of the answer, or the marks where it was answered."""
        if self.training is None or self.training.given is None:
            return
        answered = self.training.graded is not None
        self.push_screen(MarksScreen() if answered else CausesScreen(self.stated))

    # Actions ---------------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """There is no help on help."""
        if action == "help" and isinstance(self.screen, HelpScreen):
            return False
        return super().check_action(action, parameters)

    def watch_theme(self, theme: str) -> None:
        """Draw everything in the new colours."""
        if self.is_running:
            self.call_later(self.refresh_screens)

    def action_help(self) -> None:
        """Explain the screen in front."""
        topic = getattr(self.screen, "help_topic", "")
        scope = getattr(self.screen, "SCOPE", Scope.APP)
        if topic and scope is not Scope.HELP:
            self.push_screen(HelpScreen(topic, scope))

    def action_next_theme(self) -> None:
        """Go to the next theme."""
        names = list(THEMES)
        here = names.index(self.theme) if self.theme in names else -1
        self.theme = names[(here + 1) % len(names)]

    def action_help_quit(self) -> None:
        """Ctrl-C copies a selection; whoever means to leave or to stop is told how."""
        stop = "" if self.state.running is None else "x stops the running step. "
        self.notify(
            f"{stop}q leaves busprobe, Ctrl-Q also while a field takes the keys.", markup=False
        )

    async def action_quit(self) -> None:
        """Stop and leave; a change is brought to a safe point first, and told."""
        self.session.stop()
        if not self.session.changing:
            self.exit()
        elif not isinstance(self.screen, LeavingScreen):
            self.push_screen(LeavingScreen(self.state.running or Step.ADDRESSES))

    def on_unmount(self) -> None:
        """However it ends, the link is closed."""
        self.session.close()


def run_app(
    session: Session,
    *,
    link_argument: str | None,
    ports: Callable[[], Sequence[KnownPort]],
    scenarios: Sequence[tuple[str, str]],
    outlook: Outlook | None = None,
    tour: bool = False,
    tour_meter: int = 2,
    settings: LineSettings | None = None,
    theme: str | None = None,
    glyphs: str = "auto",
    training: Training | None = None,
    begin_training: bool = False,
) -> None:
    """Run the application until the technician leaves; see `BusprobeApp` for the arguments."""
    BusprobeApp(
        session, link_argument=link_argument, ports=ports, scenarios=scenarios, outlook=outlook,
        tour=tour, tour_meter=tour_meter, settings=settings, theme=theme, glyphs=glyphs,
        training=training, begin_training=begin_training, owns_process=True,
    ).run()  # fmt: skip
