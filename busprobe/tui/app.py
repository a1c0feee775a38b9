"""The terminal application: events in, pictures out; it never touches a link."""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import ClassVar

from textual.app import App
from textual.binding import BindingType

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.events import Event, LinkOpened, Step
from busprobe.session.training_causes import Statement
from busprobe.tui.actions import Scope, bindings_for
from busprobe.tui.glyphs import GlyphMode, choose_glyphs
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
    EXERCISES,
    KnownPort,
    Look,
    Outlook,
    PortChoice,
    Session,
    port_choice,
)
from busprobe.tui.state import JobState
from busprobe.tui.theme import DARK, DEFAULT_THEME, THEMES, textual_themes, variables
from busprobe.tui.tour import Tour, demo_stops
from busprobe.tui.training_port import Training

# Line seconds per second: as it is on site, and two that spare waiting.
SPEEDS = (1.0, 4.0, 10.0)
# Often enough to look alive, seldom enough to gather bursts into one picture.
_DRAIN_EVERY_S = 0.1


class BusprobeApp(App[None]):
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

    def __init__(
        self,
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
        """Make the application.

        Args:
            session: The job; the application subscribes to it.
            link_argument: A link to open at once (with a tour: to offer), or None.
            ports: Lists the ports there are now.
            scenarios: Name and title of each simulated bus.
            outlook: What else is known of this computer; None for nothing.
            tour: Whether to lead through the demonstration.
            tour_meter: Address of the meter whose wiring the tour proves.
            settings: Line settings to offer; None to have them found.
            theme: Name of a theme, None for the dark one.
            glyphs: "auto", "braille", "half" or "ascii".
            training: Gives out exercises on the session's bus, or None.
            begin_training: Whether to begin with the choice of an exercise.
        """
        self.state = JobState()
        # Textual writes to the stream that the program was started with.
        terminal = sys.__stdout__
        self.glyphs = choose_glyphs(
            glyphs, os.environ, windows=sys.platform == "win32",
            encoding=getattr(terminal, "encoding", None) or "utf-8",
        )  # fmt: skip
        super().__init__()
        self.session = session
        self.link_argument = link_argument
        self.settings = settings
        self._ports = ports
        self._scenarios = scenarios
        self._outlook = outlook or Outlook()
        self.tour = Tour(demo_stops(tour_meter)) if tour else None
        self.finding_was_read = False
        self.training = training
        self._begin_training = begin_training
        self.stated: list[tuple[Statement, ...]] = []
        self._waiting: deque[Event] = deque()
        for one in textual_themes():
            self.register_theme(one)
        self.theme = theme if theme in self.available_themes else DEFAULT_THEME
        self.set_class(self.glyphs.mode is GlyphMode.ASCII, "-ascii")
        self.set_class(self.glyphs.mode is GlyphMode.HALF, "-half")

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

    def drain(self) -> None:
        """Take in everything that happened up to now, in one go.

        What happens meanwhile waits for the next time, so that no flood can hold up the keys.
        """
        happened = [self._waiting.popleft() for _ in range(len(self._waiting))]
        if happened:
            self.state.apply_all(happened)
            for event in happened:
                if isinstance(event, LinkOpened) and self._outlook.hosts is not None:
                    self._outlook.hosts.remember(event.endpoint.argument)
            self.refresh_screens()

    def refresh_screens(self) -> None:
        """Show the state on every screen that is open."""
        if not self.is_running or self._exit:
            return  # The widgets are about to go.
        for screen in self.screen_stack:
            refresh = getattr(screen, "refresh_state", None)
            if refresh is not None and screen.is_mounted:
                refresh()

    def choices(self) -> list[PortChoice]:
        """Ports, hosts used before, recordings and simulated buses to choose from."""
        outlook = self._outlook
        ports = self._ports()
        advices = outlook.advise(ports)
        hosts = () if outlook.hosts is None else outlook.hosts.listed()
        exercises = [] if self.training is None else [EXERCISES]
        return [
            *(port_choice(port, advices) for port in ports),
            *(PortChoice(host, "used before", kind="host") for host in hosts),
            *exercises,
            *(PortChoice(f"sim:{name}", title, kind="practice") for name, title in self._scenarios),
            *(
                PortChoice(f"replay:{file}", title, kind="recording")
                for file, title in outlook.recordings()
            ),
        ]

    def looks(self) -> Sequence[Look]:
        """What there is to say of this computer; no port is opened."""
        return self._outlook.looks()

    def open_link(self, argument: str, settings: LineSettings | None) -> None:
        """Have the session open a link; an argument that names none is told at once.

        Whoever opens another link leaves the exercise that was worked on.
        """
        self.state.error = None
        given = None if self.training is None else self.training.given
        if self.training is not None and given is not None and argument != given.link:
            self.training.leave()
        try:
            parse_link(argument)
        except InputError as error:
            self.state.error = error
        else:
            self.state.opening = argument
            # A recording says at which settings it was made.
            self.state.settings_sought = settings is None and not argument.startswith("replay:")
            self.session.open(argument, settings)

    # Training --------------------------------------------------------------------------------

    @property
    def plan_file(self) -> Path | None:
        """The plan that is open in the handover step, None without one."""
        panes = self.screen_stack[0].query(HandoverPane)
        return panes.first().plan_file if panes else None

    @property
    def expected(self) -> tuple[int, ...]:
        """Addresses that should answer by the papers of the exercise; none without one."""
        given = None if self.training is None else self.training.given
        return () if given is None else tuple(paper.address for paper in given.papers)

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
        work.action_show_step(Step.FIND)
        self.push_screen(ExerciseScreen())

    def open_causes(self) -> None:
        """Show the form of the answer, or the marks where it was answered."""
        if self.training is None or self.training.given is None:
            return
        answered = self.training.graded is not None
        self.push_screen(MarksScreen() if answered else CausesScreen(self.stated))

    def next_speed(self) -> None:
        """Let the time of the exercise run faster, or as it is."""
        if self.training is not None and self.training.given is not None:
            here = SPEEDS.index(self.training.standing.speed)
            self.training.set_speed(SPEEDS[(here + 1) % len(SPEEDS)])
            self.refresh_screens()

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
        training=training, begin_training=begin_training,
    ).run()  # fmt: skip
