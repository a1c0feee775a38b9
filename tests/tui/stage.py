"""A stage for the application: a scripted session, a window, and the stations of a whole job."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass

from fake_session import FakeSession
from quiet import painted, strike
from rich.cells import cell_len
from textual.pilot import Pilot
from textual.widgets import Input, Select

from busprobe.tui.app import BusprobeApp
from busprobe.tui.screens.bench_pane import BenchCheckList
from busprobe.tui.screens.handover_pane import CheckList
from busprobe.tui.session_port import Outlook


@dataclass(frozen=True)
class Port:
    """A serial port as the list of ports gives it."""

    device: str
    description: str = ""
    group: str = ""
    permitted: bool | None = None
    busy: bool | None = None
    usb_id: str = ""
    serial_number: str = ""
    by_id: str = ""
    driver: str = ""
    latency_timer_ms: int | None = None
    character_marks: str = "unknown"


@dataclass(frozen=True)
class Advice:
    """What the computer is advised."""

    device: str | None
    cause: str
    next_step: str


@dataclass(frozen=True)
class Look:
    """What was seen of the computer."""

    area: str
    good: bool | None
    found: str
    mend: str = ""


@dataclass
class Hosts:
    """Hosts that were reached before."""

    kept: list[str]

    def listed(self) -> list[str]:
        return list(self.kept)

    def remember(self, argument: str) -> None:
        self.kept.insert(0, argument)


PORTS = (
    Port(
        "/dev/ttyUSB0", "USB serial adapter", permitted=True, usb_id="0403:6001",
        serial_number="A50285BI", driver="ftdi_sio", latency_timer_ms=16,
        character_marks="by-packet",
        by_id="/dev/serial/by-id/usb-A50285BI-if00",
    ),
    Port("/dev/ttyUSB1", "RS-485 adapter", group="dialout", permitted=False),
)  # fmt: skip
# A question, its answer, and a break before the next question.
BYTES = "01 03 00 00 00 02 C4 0B 01 03 04 53 75 6E 53 EB 0E 00 02 03 00 00 00 01 84 39"
# The scripted session does not read it, but the form looks whether it is there.
SERIES_FILE = "tests/tui/heater-on-l2.csv"
SCENARIOS = (("demo", "A site with two faults"), ("healthy", "A bus without any fault"))
ADVICE = Advice(
    "/dev/ttyUSB0",
    "/dev/ttyUSB0 may hold received bytes back for 16 ms, so answers look later than they are.",
    "Low latency is asked for when the port is opened.",
)


def outlook() -> Outlook:
    """A computer that was used before."""
    return Outlook(
        hosts=Hosts(["tcp://192.168.1.20"]),
        recordings=lambda: (("/visits/2026-01-05_091000.busprobe", "a visit of 2026-01-05 09:10"),),
        looks=lambda: (
            Look("serial ports", True, "/dev/ttyUSB0, /dev/ttyUSB1"),
            Look("/dev/ttyUSB1", False, "You are not permitted to use it.", "Join group dialout."),
            Look("tmux", None, "runs inside tmux, which holds back a lone Escape key"),
        ),
        advise=lambda _: (ADVICE,),
    )


def make_app(
    *,
    session: FakeSession | None = None,
    theme: str = "busprobe-dark",
    glyphs: str = "braille",
    tour: bool = False,
    link: str | None = None,
) -> BusprobeApp:
    """The application over a scripted session."""
    return BusprobeApp(
        session or FakeSession(), link_argument=link, ports=lambda: PORTS, scenarios=SCENARIOS,
        outlook=outlook(), tour=tour, theme=theme, glyphs=glyphs,
    )  # fmt: skip


class Stage:
    """A running application, with the moves of a technician."""

    def __init__(self, app: BusprobeApp, pilot: Pilot[None]) -> None:
        self.app = app
        self.pilot = pilot
        assert isinstance(app.session, FakeSession)
        self.session: FakeSession = app.session

    async def settle(self) -> None:
        """Have all events taken in and everything drawn."""
        self.app.drain()
        # The cursor of a field blinks by the clock of the wall: a picture is to have it on.
        for screen in self.app.screen_stack:
            for field in screen.query(Input):
                field.cursor_blink = False
        # The second round is for what the first brought about.
        for _ in range(2):
            await painted(self.app)

    async def press(self, *keys: str) -> None:
        for key in keys:
            await strike(self.app, key)
            self.app.drain()
        await self.settle()

    async def play(self, count: int | None = None) -> None:
        self.session.play(count)
        await self.settle()

    def screen_text(self) -> str:
        """What stands on the screen, row by row."""
        width, height = self.app.size
        strips = self.app.screen._compositor.render_strips()
        rows = ["".join(segment.text for segment in strip) for strip in strips]
        assert len(rows) == height
        assert all(cell_len(row) <= width for row in rows)
        return "\n".join(rows)

    def notices(self) -> str:
        """What the application remarked beside the screens."""
        return "\n".join(notice.message for notice in self.app._notifications)

    # -- stations of the job ----------------------------------------------------------------

    async def open(self) -> None:
        await self.press("s")

    async def find(self) -> None:
        await self.open()
        await self.press("s")
        await self.play()

    async def addresses(self) -> None:
        await self.find()
        await self.press("3", "s")
        await self.play()

    async def wiring_asked(self) -> None:
        await self.addresses()
        await self.press("5", "right", "s")
        await self.play()

    async def wiring_done(self) -> None:
        await self.wiring_asked()
        await self.press("h")
        await self.play()


async def walk(stage: Stage, wanted: str | None = None) -> AsyncIterator[str]:
    """Go through a whole job in one go; yields the name of each station when it is reached.

    Args:
        stage: The running application.
        wanted: The only station that matters: detours to others are left out.
    """

    def visits(*stations: str) -> bool:
        return wanted is None or wanted in stations

    yield "link"
    if visits("options", "options-mistake"):
        await stage.press("2", "O")
        stage.app.screen.query_one("#addresses", Input).value = "1-32"
        await stage.settle()
        yield "options"
        stage.app.screen.query_one("#addresses", Input).value = "32-1"
        await stage.press("enter")
        yield "options-mistake"
        await stage.press("escape", "1")
    if visits("computer", "bytes"):
        await stage.press("U")
        yield "computer"
        await stage.press("b", "j")
        stage.app.screen.query_one("#hex", Input).value = BYTES
        await stage.settle()
        yield "bytes"
        await stage.press("escape")
    await stage.press("s", "s")
    await stage.play(201)
    yield "sweeping"
    await stage.play()
    yield "find"
    if visits("trend", "watching", "registers", "help"):
        await stage.press("v")
        yield "trend"
        await stage.press("w")
        await stage.play(24)
        yield "watching"
        await stage.press("w", "v")
        yield "registers"
        await stage.press("v", "f1")
        yield "help"
        await stage.press("b")
    await stage.press("3", "s")
    await stage.play()
    yield "addresses"
    if visits("finding", "finding-collision"):
        await stage.press("d")
        yield "finding"
        await stage.press("right")
        yield "finding-collision"
        await stage.press("b")
    if visits("frames"):
        await stage.press("f", "home", "down")
        yield "frames"
        await stage.press("b")
    await stage.press("5", "right", "s")
    await stage.play(7)
    yield "wiring-begun"
    await stage.play()
    yield "wiring-asked"
    await stage.press("h")
    await stage.play(30)
    yield "wiring-hands"
    await stage.play()
    yield "wiring-done"
    if visits("wiring-phasors"):
        await stage.press("v")
        yield "wiring-phasors"
    if visits("line-heard", "line", "line-health", "soak"):
        await stage.press("4", "l")
        await stage.play()
        yield "line-heard"
        stage.app.screen.query_one("#soak-s", Select).value = 60
        await stage.press("s")
        await stage.play()
        yield "soak"
        await stage.press("v", "v")
        yield "line"
        await stage.press("v")
        yield "line-health"
    if visits("paper", "paper-mistake"):
        await stage.press("4", "b")
        stage.app.screen.query_one("#bias", Input).value = "560"
        stage.app.screen.query_one("#length", Input).value = "80"
        stage.app.screen.query_one("#reads", Input).value = "3x50"
        await stage.settle()
        yield "paper"
        stage.app.screen.query_one("#bias", Input).value = "56o"
        await stage.press("down")
        yield "paper-mistake"
        await stage.press("escape")
    if visits("series", "series-judged"):
        await stage.press("5", "S")
        yield "series"
        stage.app.screen.query_one("#series-file", Input).value = SERIES_FILE
        await stage.press("enter")
        await stage.play()
        yield "series-judged"
        await stage.press("escape")
    if visits("roles", "energy", "energy-meters"):
        await stage.press("6")
        yield "roles"
        # The inverter is proposed as a consumer: four roles on it is the hybrid inverter.
        await stage.press("right", *("m",) * 4, "s")
        await stage.play()
        yield "energy"
        await stage.press("v")
        yield "energy-meters"
    if visits("verified", "report", "report-data", "export"):
        await stage.press("7")
        yield "handover"
        stage.app.screen.query_one("#plan-file", Input).value = "mill-lane.plan.yaml"
        await stage.press("s")
        await stage.play()
        stage.app.screen.query_one("#check-list", CheckList).focus()
        await stage.settle()
        yield "verified"
        await stage.press("D")
        yield "report-data"
        await stage.press("escape", "p")
        await stage.play()
        yield "report"
        await stage.press("E")
        stage.app.screen.query_one("#pcapng", Input).value = "visit.pcapng"
        await stage.press("enter")
        await stage.play()
        yield "export"
        await stage.press("escape")
    if visits("bench-running", "bench", "bench-settings", "bench-map", "bench-label"):
        await stage.press("8", "s")
        await stage.play(6)
        yield "bench-running"
        await stage.play()
        stage.app.screen.query_one("#bench-list", BenchCheckList).focus()
        await stage.press("down", "down", "down", "down")
        yield "bench"
        for view in ("settings", "map", "label"):
            await stage.press("v")
            yield f"bench-{view}"
        await stage.press("v")
    if visits("bench-tour"):
        await stage.press("8", "u")
        await stage.play()
        yield "bench-tour"
        await stage.press("escape")
    if visits("change", "change-planned", "change-ended"):
        stage.app.state.selected = 2
        await stage.press("3", "a")
        yield "change"
        await stage.press("enter")
        await stage.play()
        yield "change-planned"
        await stage.press("y")
        await stage.play()
        yield "change-ended"
        await stage.press("escape")
    if visits("separate", "separating", "separation-planned", "separated"):
        stage.app.state.selected = 1
        await stage.press("3", "g")
        yield "separate"
        await stage.press("enter")
        await stage.play()
        yield "separating"
        await stage.press("y")
        await stage.play()
        yield "separation-planned"
        await stage.press("y")
        await stage.play()
        await stage.press("y")
        await stage.play()
        yield "separated"
        await stage.press("escape")


async def go_to(stage: Stage, station: str) -> None:
    """Go through the job up to a station."""
    async for reached in walk(stage, station):
        if reached == station:
            return
    raise ValueError(station)


@asynccontextmanager
async def on_stage(
    app: BusprobeApp | None = None, size: tuple[int, int] = (80, 24)
) -> AsyncIterator[Stage]:
    """Run the application in a window of this size."""
    shown = app or make_app()
    async with shown.run_test(size=size) as pilot:
        stage = Stage(shown, pilot)
        await stage.settle()
        yield stage
