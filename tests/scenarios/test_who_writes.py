"""Every command and every act of the session on simulated lines: who puts a write on the wire?

The simulated line logs every transmission. Function codes: MODBUS Application Protocol V1.1b3,
section 6; addresses that may be asked: Modbus over Serial Line V1.02, section 2.2.
"""

from __future__ import annotations

import inspect
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from busprobe.cli.app import COMMANDS, Outside, application
from busprobe.diagnosis.balance import MeterRole, Role
from busprobe.diagnosis.wiring import KnownLoad
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator, training
from busprobe.model.line import Endpoint, LineSettings, LinkKind
from busprobe.session import events
from busprobe.session.events import Step
from busprobe.session.handover import VerifyWish
from busprobe.session.ports import OpenedLink
from busprobe.session.session import Session
from busprobe_sim.scenario.bus import SimulatedBus
from simulated_buses import frames_asked

# Reads, loop back (08 00 00), Report Server ID, Read Device Identification: all that is ever asked.
READS = (0x01, 0x02, 0x03, 0x04, 0x08, 0x11, 0x2B)

PLAN = """
format: 1
site: {name: Orchard}
links:
  - {name: bus, link: "sim:healthy", settings: 9600 8N1}
meters:
  - {name: grid, link: bus, address: 1, model: TF 30, serial: TF30-118204, role: grid}
  - {name: workshop, link: bus, address: 2, model: NF 3F, role: sub-meter, behind: grid}
inverter: {name: hybrid, link: bus, address: 10, model: Hybrid 8}
"""


class Opener:
    """Opens links, and keeps the simulated buses behind them."""

    def __init__(self) -> None:
        self.buses: list[SimulatedBus] = []

    async def __call__(self, endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        if endpoint.kind is not LinkKind.SIMULATED:
            return await link_opener(pace="virtual")(endpoint, settings)
        link, bus = simulator().open_simulated(endpoint, settings or LineSettings(), "virtual")
        self.buses.append(bus)
        return OpenedLink(link, bus.hands)

    def requests(self) -> list[bytes]:
        """Everything that an adapter of ours put on a line."""
        return [frame for bus in self.buses for frame in frames_asked(bus.line.log)]

    def writes(self) -> list[bytes]:
        """What of that is no harmless question to one device."""
        return [
            request
            for request in self.requests()
            if request[1] not in READS
            or (request[1] == 0x08 and request[2:4] != b"\0\0")
            or not 1 <= request[0] <= 247
        ]


# One call or several of each command; "PLAN", "DIR" and "REC" stand for files. None: it opens no
# link of its own, or serves other programs.
CALLS: dict[str, list[list[str]] | None] = {
    "demo": None,
    "ports": [["ports"]],
    "listen": [["listen", "sim:foreign-master", "--seconds", "20"]],
    "scan": [
        ["scan", "sim:healthy", "--addresses", "1-12"],
        ["scan", "sim:factory-fresh-pair", "--addresses", "1-3"],
        ["scan", "sim:silent-meter", "--addresses", "1-12"],
        ["scan", "sim:odd-firmware", "--addresses", "1-9"],
        ["scan", "sim:obstinate-meters", "--addresses", "1-6", "--fast"],
    ],
    "read": [["read", "sim:healthy", "1"], ["read", "sim:no-sunspec-meter", "5"]],
    "watch": [["watch", "sim:healthy", "1", "--times", "3"]],
    "duplicates": [
        ["duplicates", "sim:both-on-one-address", "1"],
        ["duplicates", "sim:three-on-one-address", "1"],
    ],
    "line": [["line", "sim:late-answers", "1,2", "--soak", "5"]],
    "wiring": [["wiring", "sim:reversed-ct", "1", "--load", "2000"]],
    "bench": [["bench", "sim:bench", "1", "--requests", "10", "--watch", "2"]],
    "balance": [["balance", "sim:healthy", "--grid", "1", "--generator", "10", "--duration", "20"]],
    "plan": [["plan", "sim:healthy", "--addresses", "1-12", "-o", "DIR/new.plan.yaml"]],
    "verify": [["verify", "PLAN", "--quick", "--only", "find,identity"]],
    "decode": [["decode", "01 03 9C 40 00 02 EA 4F"]],
    "report": [["report", "REC", "--html", "DIR/report.html"]],
    "recording": [["recording", "REC"]],
    "simulate": [["simulate", "--list"]],
    "train": [["train", "--list"]],
    "doctor": [["doctor"]],
    "schema": [["schema", "scan"]],
    # Without a confirmation, and where it is refused. What it writes is held in test_changes.py.
    "readdress": [
        ["readdress", "sim:healthy", "2", "7", "--plan-only"],
        ["readdress", "sim:healthy", "2", "7"],
        ["readdress", "sim:healthy", "2", "10", "--yes"],
        ["readdress", "sim:factory-fresh-pair", "1", "7", "--yes"],
        ["readdress", "sim:factory-fresh-pair", "1", "--separate"],
        ["readdress", "sim:foreign-master", "1", "7", "--yes"],
    ],
}


def test_no_command_is_left_out() -> None:
    assert set(CALLS) == set(COMMANDS)


def call(opener: Opener, *arguments: str) -> int:
    outside = Outside(opener, run_terminal, simulator, simulation_server, training)
    done = CliRunner().invoke(application, arguments, obj=outside)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code


@pytest.mark.parametrize(
    "arguments",
    [call for calls in CALLS.values() if calls is not None for call in calls],
    ids=" ".join,
)
def test_no_command_writes_without_a_confirmation(arguments: list[str], tmp_path: Path) -> None:
    opener = Opener()
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    recording = tmp_path / "visit.busprobe"
    if "REC" in arguments:
        call(opener, "scan", "sim:healthy", "--addresses", "1-3", "--record", str(recording))
    places = {"PLAN": str(tmp_path / "plan.yaml"), "REC": str(recording)}
    made = [places.get(a, a.replace("DIR", str(tmp_path))) for a in arguments]
    refused = arguments[0] == "readdress" and "--plan-only" not in arguments
    assert call(opener, *made) in ((2,) if refused else (0, 1))
    assert opener.writes() == []
    uses_link = any("sim:" in a or a == "PLAN" for a in arguments) and arguments[0] != "listen"
    assert bool(opener.requests()) == (uses_link or "REC" in arguments)


# -- the session: everything that the screens can do --------------------------------------------

LOAD = KnownLoad(2000.0)
ROLES = {1: ("grid", MeterRole(Role.GRID)), 10: ("roof", MeterRole(Role.GENERATOR))}


def acts(folder: Path) -> dict[str, Callable[[Session], None] | None]:
    """Every public command of a session; None for those that are no step on the bus."""
    return {
        "find": lambda s: s.find(fast=True),
        "check_addresses": lambda s: s.check_addresses((1, 2)),
        "check_wiring": lambda s: s.check_wiring(2, LOAD),
        "listen": lambda s: s.listen(3.0),
        "check_line": lambda s: s.check_line((1, 2), 2.0),
        "check_balance": lambda s: s.check_balance(ROLES, 10.0, curtail=True),
        "verify": lambda s: s.verify(VerifyWish(folder / "plan.yaml", quick=True)),
        "write_plan": lambda s: s.write_plan(),
        "write_report": lambda s: s.write_report(),
        "plan_change": lambda s: s.plan_change(2, 7, 19200),
        "separate": lambda s: s.separate(1),
        "watch": lambda s: s.watch((1, 2)),
        "plan_tour": lambda s: s.plan_tour(2),
        # Without a tour it is the command `bench` above; a tour writes what was shown before.
        "bench": None,
        # Confirmations: held below.
        "change": None,
        "confirm": None,
        # No requests: files alone (no link is given to them).
        "judge_series": None,
        "export": None,
        # No requests.
        "subscribe": None,
        "oversee": None,
        "working_s": None,
        "changing": None,
        "open": None,
        "answer": None,
        "let_hands": None,
        "carry_heater": None,
        "unplug_master": None,
        "set_speed": None,
        "stop": None,
        "close": None,
    }


class Visit:
    """A session on a simulated bus in virtual time."""

    def __init__(self, scenario: str) -> None:
        self.opener = Opener()
        self.told: list[events.Event] = []
        self.session = Session(self.opener)
        self.session.subscribe(self._take)
        self.session.open(f"sim:{scenario}")
        self.until(lambda: bool(self.seen(events.LinkOpened)))

    def _take(self, event: events.Event) -> None:
        self.told.append(event)
        if isinstance(event, events.OperatorAsked):
            self.session.let_hands()

    def seen(self, *kinds: type[object]) -> list[events.Event]:
        return [event for event in tuple(self.told) if isinstance(event, kinds)]

    def until(self, condition: Callable[[], bool]) -> None:
        give_up = time.monotonic() + 90
        while not condition():
            assert time.monotonic() < give_up, "It never came to that."
            self.session._thread.join(0.01)

    def finish(self, act: Callable[[Session], None]) -> None:
        """Do something, and wait until it has ended, or waits for a confirmation."""
        before = len(self.told)
        act(self.session)

        def over() -> bool:
            new = self.told[before:]
            return any(
                isinstance(e, events.ChangePlanned)
                or (isinstance(e, events.StepFinished) and e.step is not Step.LINK)
                or (isinstance(e, events.ReadingsTaken) and not self._has_steps(new))
                for e in new
            ) or any(isinstance(e, events.StepFinished) and e.step is Step.LINK for e in new)

        self.until(over)

    @staticmethod
    def _has_steps(new: list[events.Event]) -> bool:
        return any(isinstance(e, events.StepStarted) for e in new)


def test_no_act_of_the_session_is_left_out(tmp_path: Path) -> None:
    public = {
        name
        for name, _ in inspect.getmembers(Session, inspect.isfunction)
        if not name.startswith("_")
    } | {n for n, v in inspect.getmembers(Session, lambda x: isinstance(x, property))}
    assert set(acts(tmp_path)) == public


def test_no_act_of_the_session_writes_without_a_confirmation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A first plan is put into the working folder where nothing is recorded.
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAN, encoding="utf-8")
    visit = Visit("healthy")
    try:
        for act in acts(tmp_path).values():
            if act is not None:
                visit.finish(act)
        visit.session.stop()
    finally:
        visit.session.close()
    assert len(visit.opener.requests()) > 300
    assert visit.opener.writes() == []


def test_a_plan_that_was_shown_is_written_once_confirmed_and_only_once() -> None:
    visit = Visit("healthy")
    try:
        visit.finish(lambda s: s.plan_change(2, 7))
        assert visit.opener.writes() == []
        visit.session.change()
        visit.session.change()
        visit.until(lambda: bool(visit.seen(events.ChangeEnded)))
    finally:
        visit.session.close()
    (ended,) = [e for e in visit.told if isinstance(e, events.ChangeEnded) and e.result]
    assert ended.result is not None
    assert len(visit.opener.writes()) == len(ended.result.written) == 3


@pytest.mark.parametrize(("yes", "count"), [(False, 0), (True, 3)])
def test_a_separation_writes_what_was_confirmed_and_nothing_where_it_was_not(
    yes: bool, count: int
) -> None:
    visit = Visit("factory-fresh-pair")
    try:
        visit.finish(lambda s: s.separate(1))
        assert visit.opener.writes() == []
        visit.session.confirm(yes)
        visit.until(lambda: bool(visit.seen(events.SeparationEnded)))
    finally:
        visit.session.close()
    assert len(visit.opener.writes()) == count
