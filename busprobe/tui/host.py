"""What the application is to its screens: the job so far, the session, and what is offered.

The application itself makes the screens, and so stands above them; they know it as this.
"""

from __future__ import annotations

import gc
import os
import sys
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from textual.app import App

from busprobe.model.errors import InputError
from busprobe.model.line import LineSettings, parse_link
from busprobe.session.events import Event, LinkOpened, Step, StepFinished
from busprobe.session.training_causes import Statement
from busprobe.tui.glyphs import GlyphMode, choose_glyphs
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
from busprobe.tui.theme import DEFAULT_THEME, textual_themes
from busprobe.tui.tour import Tour, demo_stops
from busprobe.tui.training_port import Training

# Line seconds per second: as it is on site, and two that spare waiting.
SPEEDS = (1.0, 4.0, 10.0)
_SWITCH_INTERVAL_S = 0.001


class Host(App[None]):
    """The application as its screens know it."""

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
        owns_process: bool = False,
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
            owns_process: Whether nothing else runs in this process, so that what is loaded stays.
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
        self._owns_process = owns_process
        self.stated: list[tuple[Statement, ...]] = []
        self._waiting: deque[Event] = deque()
        self._steps_ended: set[Step] = set()
        for one in textual_themes():
            self.register_theme(one)
        self.theme = theme if theme in self.available_themes else DEFAULT_THEME
        self.set_class(self.glyphs.mode is GlyphMode.ASCII, "-ascii")
        self.set_class(self.glyphs.mode is GlyphMode.HALF, "-half")

    def on_ready(self) -> None:
        """Leave what stays for good out of the search for garbage.

        That search holds up everything, a key as well as a byte on the line, for as long as it
        looks at what was loaded: more than a tenth of a second.
        """
        if self._owns_process:
            gc.freeze()
            # A session that computes gives way to a key sooner.
            sys.setswitchinterval(min(sys.getswitchinterval(), _SWITCH_INTERVAL_S))

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
                elif isinstance(event, StepFinished) and event.step not in self._steps_ended:
                    # What the step needs was loaded with it, and is kept too.
                    self._steps_ended.add(event.step)
                    self.call_after_refresh(self.on_ready)
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

    def open_link(
        self,
        argument: str,
        settings: LineSettings | None,
        record: Path | None = None,
        *,
        kept: bool = True,
    ) -> None:
        """Have the session open a link; an argument that names none is told at once.

        Whoever opens another link leaves the exercise that was worked on.

        Args:
            argument: The link.
            settings: Line settings, None to have them found.
            record: A file of the technician's own for the recording.
            kept: Whether a recording is made.
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
            self.session.open(argument, settings, record, kept=kept)

    @property
    def expected(self) -> tuple[int, ...]:
        """Addresses that should answer by the papers of the exercise; none without one."""
        given = None if self.training is None else self.training.given
        return () if given is None else tuple(paper.address for paper in given.papers)

    def next_speed(self) -> None:
        """Let the time of the exercise run faster, or as it is."""
        if self.training is not None and self.training.given is not None:
            here = SPEEDS.index(self.training.standing.speed)
            self.training.set_speed(SPEEDS[(here + 1) % len(SPEEDS)])
            self.refresh_screens()

    # What takes another screen: the application does it ---------------------------------------

    @property
    def plan_file(self) -> Path | None:
        """The plan that is open in the handover step, None without one."""
        raise NotImplementedError

    def choose_exercise(self) -> None:
        """Show all exercises."""
        raise NotImplementedError

    def begin_exercise(self, wish: str) -> None:
        """Give out an exercise, open its bus, and show what is known of it.

        Args:
            wish: Its name, NAME@SEED, or the path of a file.

        Raises:
            InputError: No such exercise, or its file is wrong.
        """
        raise NotImplementedError

    def open_causes(self) -> None:
        """Show the form of the answer, or the marks where it was answered."""
        raise NotImplementedError


class OnHost:
    """Mixin of screens and panes: the application they are on."""

    if TYPE_CHECKING:
        app: App[Any]

    @property
    def _app(self) -> Host:
        return cast("Host", self.app)


class InTraining(OnHost):
    """Mixin of the screens of an exercise."""

    @property
    def _training(self) -> Training:
        training = self._app.training
        assert training is not None
        return training
