"""Commands from any thread, events in order, one step at a time."""

from __future__ import annotations

import json
import queue
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from busprobe.diagnosis.wiring import KnownLoad
from busprobe.launch import link_opener
from busprobe.link.base import Link
from busprobe.model.check import CheckOutcome
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings, parse_link
from busprobe.recording.read import open_recording
from busprobe.recording.store import Recorder, create_recording
from busprobe.session import events
from busprobe.session.events import Event, Step, StepEnd, StepFinished
from busprobe.session.handover import VerifyWish
from busprobe.session.keeping import begin_recording
from busprobe.session.ports import OpenedLink
from busprobe.session.session import Session
from busprobe.session.wishes import ReportWish
from busprobe.site.state import load_state

WAIT_S = 60.0


class Heard:
    """The events of a session, waited for one after the other."""

    def __init__(self, session: Session) -> None:
        self.queue: queue.Queue[Event] = queue.Queue()
        self.all: list[Event] = []
        session.subscribe(self.queue.put)

    def until(self, *kinds: type) -> Event:
        while True:
            event = self.queue.get(timeout=WAIT_S)
            self.all.append(event)
            if isinstance(event, kinds):
                return event

    def end_of(self, step: Step) -> StepFinished:
        while True:
            event = self.until(StepFinished)
            assert isinstance(event, StepFinished)
            if event.step is step:
                return event


@pytest.fixture
def session() -> Iterator[Session]:
    made = Session(link_opener(pace="virtual"))
    yield made
    made.close()


def test_the_job_from_link_to_wiring(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:demo")
    assert isinstance(heard.until(events.LinkOpened), events.LinkOpened)
    session.find()
    assert heard.end_of(Step.FIND).end is StepEnd.DONE
    raised = [e.finding.code for e in heard.all if isinstance(e, events.FindingRaised)]
    assert "duplicate-address" in raised
    session.check_addresses((1, 2))
    assert heard.end_of(Step.ADDRESSES).summary == (
        "address 1: more than one device; address 2: one device."
    )
    session.check_wiring(2, KnownLoad(2000.0))
    asked = heard.until(events.OperatorAsked)
    assert isinstance(asked, events.OperatorAsked)
    assert asked.answerable
    session.let_hands()
    assert heard.end_of(Step.WIRING).end is StepEnd.DONE
    raised = [e.finding.code for e in heard.all if isinstance(e, events.FindingRaised)]
    assert "ct-reversed" in raised
    told = [e for e in heard.all if isinstance(e, events.StepProgress)]
    assert {e.total for e in told if e.step is Step.ADDRESSES} == {2}
    wiring = [e for e in told if e.step is Step.WIRING]
    assert all(0 <= e.done <= e.total and (e.remaining_s or 0.0) >= 0.0 for e in wiring)
    # Quick hands: 12 s of rest, then 9 s on and 9 s off at each of three phases.
    assert wiring[0].total == 66
    assert wiring[0].remaining_s == 66.0


def test_a_refusal_ends_the_wiring_step(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.check_wiring(1, KnownLoad(2000.0))
    heard.until(events.OperatorAsked)
    session.answer(False)
    assert heard.end_of(Step.WIRING).end is StepEnd.DONE


def test_stop_ends_a_step_and_it_goes_on_where_it_was(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.find()
    heard.until(events.DeviceKnown)
    session.stop()
    assert heard.end_of(Step.FIND).end is StepEnd.STOPPED
    first = [e for e in heard.all if isinstance(e, events.ExchangeMade)]
    session.find()
    assert heard.end_of(Step.FIND).end is StepEnd.DONE
    addresses = [
        e.exchange.request.address for e in heard.all if isinstance(e, events.ExchangeMade)
    ]
    assert len(first) < len(addresses)
    known = {e.device.address for e in heard.all if isinstance(e, events.DeviceKnown)}
    assert known == {1, 2, 10}


def test_watching_ends_when_another_step_begins(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.watch((1,))
    for _ in range(3):
        heard.until(events.ReadingsTaken)
    session.check_addresses((2,))
    assert heard.end_of(Step.ADDRESSES).end is StepEnd.DONE


def test_a_step_without_a_link_fails_in_words(session: Session) -> None:
    heard = Heard(session)
    session.find()
    lost = heard.until(events.LinkLost)
    assert isinstance(lost, events.LinkLost)
    assert lost.error.next_step
    assert heard.end_of(Step.FIND).end is StepEnd.FAILED


def test_a_link_that_cannot_be_opened_is_told(session: Session) -> None:
    heard = Heard(session)
    session.open("/dev/does-not-exist")
    lost = heard.until(events.LinkLost)
    assert isinstance(lost, events.LinkLost)
    assert "does-not-exist" in lost.error.cause


def test_a_link_lost_while_working_is_told_and_what_was_found_stays() -> None:
    opener = link_opener(pace="virtual")

    async def open_breaking(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        opened = await opener(endpoint, settings)
        send = opened.link.send
        count = 0

        async def failing(data: bytes):  # type: ignore[no-untyped-def]
            nonlocal count
            count += 1
            if count > 20:
                raise LinkError("The adapter was pulled.", "Plug it in again.")
            return await send(data)

        opened.link.send = failing  # type: ignore[method-assign]
        return opened

    session = Session(open_breaking)
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.find()
    assert isinstance(heard.until(events.LinkLost), events.LinkLost)
    assert heard.end_of(Step.FIND).end is StepEnd.FAILED
    assert any(isinstance(e, events.DeviceKnown) for e in heard.all)
    session.close()


def test_a_session_keeps_everything_in_a_recording(tmp_path: Path) -> None:
    path = tmp_path / "visit.busprobe"
    session = Session(link_opener(pace="virtual"), lambda link: begin_recording(path, link))
    heard = Heard(session)
    session.open("sim:both-on-one-address", LineSettings())
    session.check_addresses((1,))
    heard.end_of(Step.ADDRESSES)
    session.close()
    made = [e.exchange for e in heard.all if isinstance(e, events.ExchangeMade)]
    with open_recording(path) as recording:
        assert [e.number for e in recording.exchanges()] == [e.number for e in made]
        assert "duplicate-address" in {f.code for f in recording.findings()}


def test_a_scenario_that_does_not_exist_is_told(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:no-such-site")
    lost = heard.until(events.LinkLost)
    assert isinstance(lost, events.LinkLost)
    assert "no-such-site" in lost.error.cause


def test_the_line_is_checked_and_a_change_of_a_doubled_address_refused(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:demo", LineSettings())
    session.check_line((2, 10))
    assert heard.end_of(Step.LINE).end is StepEnd.DONE
    counted = [e for e in heard.all if isinstance(e, events.LineCounted)][-1]
    assert {tally.address for tally in counted.tallies} == {2, 10}
    session.plan_change(1, 5)
    ended = heard.until(events.ChangeEnded)
    assert isinstance(ended, events.ChangeEnded)
    assert ended.result is None
    assert ended.refusal
    assert heard.end_of(Step.ADDRESSES).end is StepEnd.FAILED


def test_a_silent_device_that_should_be_there_is_told(session: Session, tmp_path: Path) -> None:
    plan = tmp_path / "orchard.plan.yaml"
    plan.write_text(
        """\
format: 1
site: {name: Orchard}
links: [{name: bus, link: "sim:healthy", settings: 9600 8N1}]
meters:
  - {name: grid, link: bus, address: 1, role: grid}
  - {name: press, link: bus, address: 4, role: sub-meter, behind: grid, feeds: load}
""",
        encoding="utf-8",
    )
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.check_line((1, 2), expected=(2, 5), plan_file=plan)
    assert heard.end_of(Step.LINE).end is StepEnd.DONE
    counted = [e for e in heard.all if isinstance(e, events.LineCounted)][-1]
    assert {tally.address for tally in counted.tallies} == {1, 2, 4, 5}
    raised = [e.finding for e in heard.all if isinstance(e, events.FindingRaised)]
    assert {(f.code, f.address) for f in raised} == {("device-silent", 4), ("device-silent", 5)}


def test_a_plan_that_cannot_be_read_is_told_before_anything_is_asked(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.check_line((1,), plan_file=Path("nowhere.plan.yaml"))
    ended = heard.end_of(Step.LINE)
    assert ended.end is StepEnd.FAILED
    assert "nowhere.plan.yaml" in ended.summary
    assert not [e for e in heard.all if isinstance(e, events.ExchangeMade)]


def test_a_change_without_a_plan_writes_nothing(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.change()
    assert heard.end_of(Step.ADDRESSES).end is StepEnd.FAILED
    assert not [e for e in heard.all if isinstance(e, events.ExchangeMade)]


def test_closing_during_a_change_lets_it_come_to_its_end(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.plan_change(2, 7)
    heard.until(events.ChangePlanned)
    assert heard.end_of(Step.ADDRESSES).end is StepEnd.DONE
    assert not session.changing
    session.change()
    heard.until(events.StepStarted)
    # Once a write was sent nothing may stop it.
    while True:
        made = heard.until(events.ExchangeMade)
        assert isinstance(made, events.ExchangeMade)
        # MODBUS Application Protocol V1.1b3, sections 6.6 and 6.12: writes of registers.
        if made.exchange.request.pdu[0] in (6, 16):
            break
    session.close()
    assert not session.changing
    ended = heard.until(events.ChangeEnded)
    assert isinstance(ended, events.ChangeEnded)
    assert ended.result is not None
    assert ended.result.state.value == "changed"


def test_a_quick_search_reads_everybody_who_is_alone(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.find(fast=True)
    assert heard.end_of(Step.FIND).end is StepEnd.DONE
    read = [e.snapshot.address for e in heard.all if isinstance(e, events.ReadingsTaken)]
    assert sorted(read) == [1, 2, 10]


def test_a_line_is_verified_against_its_plan_and_every_check_is_kept(tmp_path: Path) -> None:
    plan = tmp_path / "mill.plan.yaml"
    examples = Path(__file__).parents[2] / "docs" / "examples"
    plan.write_bytes((examples / "mill-lane.plan.yaml").read_bytes())
    visit = tmp_path / "visit.busprobe"
    session = Session(link_opener(pace="virtual"), lambda link: begin_recording(visit, link))
    heard = Heard(session)
    wish = VerifyWish(plan, quick=True)
    session.open("sim:demo", LineSettings())
    session.verify(wish)
    assert heard.end_of(Step.HANDOVER).end is StepEnd.DONE
    checks = [e.check for e in heard.all if isinstance(e, events.CheckMade)]
    kept = load_state(wish.state_file).as_found
    assert kept is not None
    assert {(c.name, c.subject) for c in kept.checks} == {(c.name, c.subject) for c in checks}
    assert CheckOutcome.FAIL in {c.outcome for c in checks}
    session.write_report(ReportWish(wish.state_file))
    written = heard.until(events.ReportWritten)
    assert isinstance(written, events.ReportWritten)
    assert written.conclusion == "FAIL"
    assert all(Path(file).stat().st_size > 1000 for file in written.files)
    session.close()


@pytest.mark.parametrize(("link", "framing"), [("tcp://192.0.2.1", "mbap"), ("COM3", "rtu")])
def test_a_replay_is_held_to_the_checks_of_the_link_that_was_recorded(
    session: Session, link: str, framing: str, tmp_path: Path
) -> None:
    plan, file = tmp_path / "mill.plan.yaml", tmp_path / "visit.busprobe"
    plan.write_text(
        "format: 1\nsite: {name: Mill}\nlinks: [{name: bus, link: COM7}]\n"
        "meters: [{name: grid, link: bus, address: 1, role: grid}]\n",
        encoding="utf-8",
    )
    now = datetime(2026, 3, 29, 9, 30, tzinfo=UTC)
    create_recording(
        file, endpoint=parse_link(link), framing=framing, version="0.1.0", started=now,
        started_t_ns=0,
    ).close()  # fmt: skip
    heard = Heard(session)
    session.open(f"replay:{file}")
    session.verify(VerifyWish(plan, quick=True))
    assert heard.end_of(Step.HANDOVER).end is StepEnd.DONE
    made = {e.check.name for e in heard.all if isinstance(e, events.CheckMade)}
    assert "answers" in made
    of_a_line = {"other-master", "line-settings", "line-health", "poll-cycle"}
    assert made & of_a_line == (of_a_line if framing == "rtu" else set())


def test_a_visit_that_was_not_recorded_cannot_be_reported(session: Session) -> None:
    heard = Heard(session)
    session.open("sim:healthy", LineSettings())
    session.write_report()
    ended = heard.end_of(Step.HANDOVER)
    assert ended.end is StepEnd.FAILED
    assert "This session is not recorded" in ended.summary


def test_all_lines_of_a_plan_are_verified_and_reported_together(tmp_path: Path) -> None:
    plan = tmp_path / "orchard.plan.yaml"
    plan.write_text(
        """\
format: 1
site: {name: Orchard}
links:
  - {name: barn, link: "sim:reversed-ct", settings: 9600 8N1}
  - {name: cellar, link: "sim:healthy", settings: 9600 8N1}
  - {name: shed, link: "sim:no-such-scenario", settings: 9600 8N1}
meters:
  - {name: grid, link: cellar, address: 1, role: grid, positive: import}
  - {name: press, link: barn, address: 1, role: sub-meter, behind: grid, feeds: load}
  - {name: saw, link: shed, address: 1, role: sub-meter, behind: grid, feeds: load}
""",
        encoding="utf-8",
    )
    opener = link_opener(pace="virtual")

    async def open_link(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        if endpoint.target == "no-such-scenario":
            raise LinkError("Nobody is there.", "Look.")
        return await opener(endpoint, settings)

    made: list[Path] = []

    def record(link: Link) -> Recorder:
        made.append(tmp_path / f"{len(made)}.busprobe")
        return begin_recording(made[-1], link)

    session = Session(open_link, record)
    heard = Heard(session)
    wish = VerifyWish(plan, quick=True)
    session.open("sim:healthy", LineSettings())
    session.verify(wish)
    ends = [heard.end_of(Step.HANDOVER) for _ in range(3)]
    assert [e.end for e in ends] == [StepEnd.DONE, StepEnd.DONE, StepEnd.FAILED]
    # The screen goes on showing the line that is open.
    assert sum(isinstance(e, events.LinkOpened) for e in heard.all) == 1
    session.write_report(ReportWish(wish.state_file))
    written = heard.until(events.ReportWritten)
    assert isinstance(written, events.ReportWritten)
    kept = load_state(wish.state_file).as_found
    assert kept is not None
    answers = {c.subject: c.outcome for c in kept.checks if c.name == "answers"}
    assert answers == {
        "grid": CheckOutcome.PASS,
        "press": CheckOutcome.PASS,
        "saw": CheckOutcome.NOT_TESTED,
    }
    assert kept.complete
    data = next(file for file in written.files if file.endswith(".json"))
    recordings = json.loads(Path(data).read_text(encoding="utf-8"))["recordings"]
    assert {r["link"] for r in recordings} == {"sim:healthy", "sim:reversed-ct"}
    assert len(made) == 2
    session.close()


def test_closing_twice_is_allowed(session: Session) -> None:
    session.close()
    session.close()
    assert not session._thread.is_alive()
