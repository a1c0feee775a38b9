"""The composition root: the only module that knows the faces, the links and the simulator."""

from __future__ import annotations

import sys
from types import ModuleType
from typing import TYPE_CHECKING

from busprobe.cli.app import Outside, application
from busprobe.model.errors import BusprobeError, InputError
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.session.ports import OpenedLink, OpenLink

if TYPE_CHECKING:
    from pathlib import Path

    from busprobe.link.base import Link
    from busprobe.recording.store import Recorder
    from busprobe.session.session import Session
    from busprobe.session.training import TrainingDesk
    from busprobe.session.training_room import TrainingRoom
    from busprobe.tui.session_port import Outlook


def simulator() -> ModuleType:
    """The scenarios of the simulator.

    Raises:
        InputError: It is not installed.
    """
    try:
        from busprobe_sim import scenario
    except ModuleNotFoundError as error:
        if error.name != "busprobe_sim":
            raise
        raise InputError(
            "The simulator is not installed beside busprobe.",
            "Install the project: python -m pip install -e . in its folder.",
        ) from error
    return scenario


def simulation_server() -> ModuleType:
    """Serves a simulated bus to other programs; raises as `simulator`."""
    simulator()
    from busprobe_sim.ports import serve_bus

    return serve_bus


def training() -> ModuleType:
    """The exercises of the simulator; raises as `simulator`."""
    simulator()
    from busprobe_sim import training as exercises

    return exercises


def link_opener(*, pace: str) -> OpenLink:
    """A way to open any link; simulated ones run in "virtual" or "real" time."""

    async def open_any(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        if endpoint.kind is LinkKind.SIMULATED:
            # A serial port opens at some setting too, whatever the bus behind it talks.
            link, bus = simulator().open_simulated(endpoint, settings or LineSettings(), pace)
            return OpenedLink(link, bus.hands, getattr(link, "set_speed", None))
        if endpoint.kind is LinkKind.REPLAY:
            from busprobe.recording.replaying import open_replay

            replayed, past = open_replay(endpoint)
            return OpenedLink(replayed, past=past)
        from busprobe.link.opening import open_link

        return OpenedLink(await open_link(endpoint, settings))

    return open_any


def run_terminal(
    *,
    link: str | None,
    tour: bool = False,
    theme: str | None = None,
    glyphs: str = "auto",
    begin_training: bool = False,
    state: Path | None = None,
    trainee: str | None = None,
) -> int:
    """Open the terminal interface; returns the exit status.

    Args:
        link: A link to open at once, or None.
        tour: Whether to lead through the demonstration.
        theme: Name of a theme, None for the dark one.
        glyphs: "auto", "braille", "half" or "ascii".
        begin_training: Whether to begin with the choice of an exercise.
        state: File of what a trainee did; None for the usual one.
        trainee: Their name.
    """
    from busprobe.cli import diagnostics
    from busprobe.link.ports import list_ports
    from busprobe.session.session import Session
    from busprobe.tui.app import run_app

    try:
        scenarios = [(s.name, s.title) for s in simulator().list_scenarios()]
        if link is not None and link.startswith("sim:"):
            simulator().load_scenario(link.removeprefix("sim:"))
    except BusprobeError as error:
        if link is not None:
            diagnostics.error(error)
            return diagnostics.status_of(error)
        scenarios = []
    session = Session(link_opener(pace="real"), _record_visit)
    try:
        run_app(
            session,
            link_argument=link,
            ports=list_ports,
            scenarios=scenarios,
            outlook=_outlook(),
            tour=tour,
            # The demo site is known: nobody needs to wait for its settings to be found.
            settings=LineSettings() if tour and link == "sim:demo" else None,
            theme=None if theme is None else f"busprobe-{theme}",
            glyphs=glyphs,
            training=_training_room(session, state, trainee) if scenarios else None,
            begin_training=begin_training,
        )
    finally:
        session.close()
    return 0


def _outlook() -> Outlook:
    """What the terminal interface can offer beside ports and simulated buses."""
    from busprobe.cli.doctor import looks_at, this_computer
    from busprobe.link.advice import advise, system_facts
    from busprobe.link.ports import PortInfo
    from busprobe.session.keeping import recordings_in
    from busprobe.session.known_hosts import KnownHosts, default_file
    from busprobe.session.own_recordings import own_folder
    from busprobe.tui.session_port import Outlook

    return Outlook(
        hosts=KnownHosts(default_file()),
        recordings=lambda: recordings_in(own_folder()),
        looks=lambda: looks_at(this_computer(), simulator),
        advise=lambda ports: advise(system_facts(), [p for p in ports if isinstance(p, PortInfo)]),
    )


def _training_room(session: Session, state: Path | None, trainee: str | None) -> TrainingRoom:
    """Exercises on the bus of a session."""
    from datetime import datetime

    from busprobe.session.training_room import TrainingRoom

    def make_desk() -> TrainingDesk:
        from busprobe.session.trainee import default_file
        from busprobe.session.training import TrainingDesk

        opener = link_opener(pace="virtual")
        return TrainingDesk(training(), opener, state or default_file(), trainee)

    return TrainingRoom(make_desk, session, lambda: datetime.now().astimezone())


def _record_visit(link: Link) -> Recorder | None:
    """Every visit is kept in the user's folder; where that fails, the work goes on without."""
    from busprobe.session.own_recordings import begin_own_recording

    try:
        return begin_own_recording(link)
    except InputError:
        return None


def main() -> None:
    """Entry point of the `busprobe` command."""
    application(
        prog_name="busprobe",
        obj=Outside(
            link_opener(pace="virtual"), run_terminal, simulator, simulation_server, training
        ),
        args=sys.argv[1:],
    )
