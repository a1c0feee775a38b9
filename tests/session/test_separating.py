"""Two meters apart: with hands that help and hands that do not, and stopped at every point."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.model.device import Device, Identity
from busprobe.model.errors import InputError, LinkError
from busprobe.model.line import parse_link
from busprobe.procedures.change_address import ChangePlan
from busprobe.procedures.operator import Deed, HandRequest
from busprobe.recording.read import open_recording
from busprobe.session import events
from busprobe.session.job import Job
from busprobe.session.keeping import begin_recording
from busprobe.session.planning import planned_address
from busprobe.session.ports import OpenedLink, do_by_hands
from busprobe.session.separating import separate
from busprobe.session.values import SeparationResult, Stage
from busprobe.site.plan_parts import DevicePart
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import load_scenario
from busprobe_sim.scenario.bus import SimulatedBus

SECOND_NS = 1_000_000_000


@dataclass
class Colleague:
    """Does what is asked, unless told otherwise.

    `does` gets the number of the request and the request; True does it, False refuses, None says
    that it is done and does nothing.
    """

    bus: SimulatedBus
    does: Callable[[int, HandRequest], bool | None] = lambda number, request: True
    asked: list[HandRequest] = field(default_factory=list)
    _done: bool = False

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self.asked.append(request)
        done = self.does(len(self.asked) - 1, request)
        if done:
            self._done = do_by_hands(self.bus.hands, request, now_ns + SECOND_NS)
        else:
            self._done = done is None

    def answer(self) -> bool | None:
        return self._done


@dataclass
class Visit:
    """A separation on a simulated line."""

    scenario: str
    does: Callable[[int, HandRequest], bool | None] = lambda number, request: True
    confirms: bool = True
    new_address: int | None = None
    planned: tuple[DevicePart, ...] = ()
    told: list[events.Event] = field(default_factory=list)
    plans: list[ChangePlan] = field(default_factory=list)
    recording: Path | None = None

    def __post_init__(self) -> None:
        self.bus = load_scenario(self.scenario).build()
        self.colleague = Colleague(self.bus, self.does)

    async def _confirm(self, plan: ChangePlan) -> str | None:
        self.plans.append(plan)
        return "a test" if self.confirms else None

    def run(self, should_stop: Callable[[], bool] = lambda: False) -> SeparationResult:
        link = self.bus.open_link()
        recorder = None if self.recording is None else begin_recording(self.recording, link)
        job = Job(
            OpenedLink(link, self.bus.hands),
            parse_link(f"sim:{self.scenario}"),
            self.told.append,
            should_stop,
            recorder,
        )
        try:
            work = separate(job, 1, self.new_address, self.colleague, self._confirm, self.planned)
            return run_virtual(work)
        finally:
            if recorder is not None:
                recorder.close()

    def writes(self) -> int:
        """Writes on the line: MODBUS Application Protocol V1.1b3, sections 6.5 to 6.17."""
        return sum(
            e.sender.startswith("port") and e.data[1] in (5, 6, 15, 16, 21, 22, 23)
            for e in self.bus.line.log
        )

    def addresses(self) -> dict[str, int]:
        """Where each meter really answers."""
        pairs = zip(self.bus.truth.devices, self.bus.stations, strict=True)
        return {device.serial: station.address for device, station in pairs}

    def all_connected(self) -> bool:
        return all(station.connected for station in self.bus.stations)


@pytest.mark.parametrize(
    ("scenario", "meters", "new"),
    [
        ("factory-fresh-pair", 2, 3),
        ("both-on-one-address", 2, 2),
        ("both-identical", 2, 2),
        ("three-on-one-address", 3, 2),
    ],
)
def test_meters_are_told_apart_and_seen_alone(scenario: str, meters: int, new: int) -> None:
    visit = Visit(scenario)
    result = visit.run()
    assert result.stage is Stage.SEPARATED
    assert len(result.meters) == meters
    assert result.meters[0].device.address == new
    assert [m.changed for m in result.meters] == [True] * (meters - 1) + [False]
    really = visit.addresses()
    for meter in result.meters:
        serial, address = meter.device.identity.serial, meter.device.address
        assert really[serial] == address
        assert meter.label.splitlines()[1:] == [
            f"S/N {serial}", f"Modbus address {address}, 9600 8N1",
        ]  # fmt: skip
    assert len(set(really.values())) == len(really)
    assert visit.all_connected()
    assert visit.writes() == sum(len(c.written) for _, c, _ in result.changes if c is not None)


def test_which_two_they_are_is_said_before_anybody_touches_a_wire() -> None:
    visit = Visit("factory-fresh-pair")
    result = visit.run()
    assert result.serials == ("701244", "701251")
    first = visit.colleague.asked[0]
    assert first.what is Deed.DISCONNECT
    assert "701244 and 701251" in first.words
    assert "licensed electricians" in first.words
    assert "serial number 701251" in visit.colleague.asked[-1].words


def test_the_address_that_is_wanted_is_given() -> None:
    visit = Visit("factory-fresh-pair", new_address=9)
    assert visit.run().meters[0].device.address == 9


@pytest.mark.parametrize(
    ("refused_at", "stage", "words", "writes"),
    [
        (0, Stage.SHARED, "Nothing was written", 0),
        (1, Stage.CHANGED, "serial number 701244 has address 3 now", 3),
    ],
)
def test_hands_that_refuse_leave_things_as_told(
    refused_at: int, stage: Stage, words: str, writes: int
) -> None:
    visit = Visit("factory-fresh-pair", lambda number, request: number != refused_at)
    result = visit.run()
    assert result.stage is stage
    assert words in result.text
    assert visit.writes() == writes
    if stage is Stage.CHANGED:
        assert "701251) is perhaps still off, with address 1" in result.text
        assert not visit.all_connected()


def test_a_change_that_is_not_confirmed_is_not_made() -> None:
    visit = Visit("factory-fresh-pair", confirms=False)
    result = visit.run()
    assert result.stage is Stage.ONE_LEFT
    assert visit.writes() == 0
    assert "701244 answers at address 1 as before" in result.text
    assert "701251) is disconnected" in result.text


def test_who_begins_again_with_one_off_goes_on_from_there() -> None:
    visit = Visit("factory-fresh-pair", confirms=False)
    visit.run()
    visit.confirms = True
    result = visit.run()
    assert result.stage is Stage.SEPARATED
    assert [r.what for r in visit.colleague.asked] == [
        Deed.DISCONNECT, Deed.LOOK, Deed.RECONNECT,
    ]  # fmt: skip
    assert sorted(visit.addresses().values()) == [1, 2, 3]


def test_a_wire_that_was_not_taken_off_is_seen() -> None:
    visit = Visit("factory-fresh-pair", lambda number, request: None)
    result = visit.run()
    assert result.stage is Stage.SHARED
    assert "could not be seen that one device is left" in result.text
    assert "Still more than one" in visit.colleague.asked[1].words
    assert visit.writes() == 0


def test_taking_both_off_is_seen_and_put_right() -> None:
    visit = Visit("factory-fresh-pair")

    def both(number: int, request: HandRequest) -> bool:
        if number == 0:
            visit.bus.hands.disconnect(1, visit.bus.line.now_ns)
        return True

    visit.colleague.does = both
    result = visit.run()
    assert "Nobody answers at address 1 now: connect one" in visit.colleague.asked[1].words
    assert result.stage is Stage.SEPARATED
    assert visit.all_connected()


def test_a_meter_that_does_not_come_back_is_waited_for_and_told() -> None:
    visit = Visit("factory-fresh-pair", lambda number, request: None if number else True)
    result = visit.run()
    assert result.stage is Stage.CHANGED
    assert "Nobody answers at address 1" in result.text
    assert "A to A and B to B" in visit.colleague.asked[-1].words


@pytest.mark.parametrize("after", [5, 40, 60, 100, 160])
def test_it_can_be_stopped_anywhere_and_says_how_things_stand(after: int) -> None:
    visit = Visit("factory-fresh-pair")
    exchanges = lambda: sum(isinstance(e, events.ExchangeMade) for e in visit.told)  # noqa: E731
    result = visit.run(lambda: exchanges() >= after)
    really = visit.addresses()
    changed = [serial for serial, address in really.items() if address == 3]
    assert (result.stage in (Stage.CHANGED, Stage.SEPARATED)) == bool(changed)
    for serial in changed:
        assert f"serial number {serial} has address 3" in result.text or (
            result.stage is Stage.SEPARATED
        )
    if not changed:
        assert "Nothing was written" in result.text
        assert visit.writes() == 0


def test_one_meter_alone_is_not_separated() -> None:
    visit = Visit("healthy")
    result = visit.run()
    assert result.stage is Stage.SHARED
    assert "nobody shares it" in result.text
    assert visit.writes() == 0


@pytest.mark.parametrize(("scenario", "reason"), [("foreign-master", "Another master")])
def test_a_foreign_master_forbids_it(scenario: str, reason: str) -> None:
    visit = Visit(scenario)
    with pytest.raises(InputError, match=reason):
        visit.run()
    assert visit.writes() == 0
    assert isinstance(visit.told[-1], events.SeparationEnded)


def test_a_meter_that_will_not_be_set_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    text = Path("simulators/scenarios/factory-fresh-pair.yaml").read_text(encoding="utf-8")
    stubborn = text.replace(
        "    type: nixenfurt-nf3f\n",
        "    type: nixenfurt-nf3f\n    firmware: {settings: {habits: {refuses_save: 4}}}\n",
    )
    file = tmp_path / "stubborn.yaml"
    file.write_text(stubborn, encoding="utf-8")
    visit = Visit(str(file))
    result = visit.run()
    assert "refused register 2010" in result.text
    assert result.stage is Stage.ONE_LEFT
    assert "Nothing has changed: Nixenfurt NF 3F, serial number 701244 answers at" in result.text
    assert visit.addresses() == {"701244": 1, "701251": 1, "TF30-090871": 2}


def test_it_is_kept_in_the_recording(tmp_path: Path) -> None:
    visit = Visit("factory-fresh-pair", recording=tmp_path / "visit.busprobe")
    visit.run()
    with open_recording(tmp_path / "visit.busprobe") as recording:
        kept = {event.kind: event.body for event in recording.events()}
    assert kept["SeparationEnded"]["stage"] == "separated"
    assert kept["ChangeEnded"]["confirmed_by"] == "a test"
    assert kept["ChangeEnded"]["before"] == {"address": 1, "settings": "9600 8N1"}
    assert kept["ChangeEnded"]["after"] == {"address": 3, "settings": "9600 8N1"}
    assert kept["ChangeEnded"]["device"]["serial"] == "701244"
    assert [w["outcome"] for w in kept["ChangeEnded"]["writes"]] == ["answered"] * 3


@pytest.mark.parametrize(("at", "stage", "words"), [
    (Deed.DISCONNECT, Stage.SHARED, "Nothing was written"),
    (Deed.RECONNECT, Stage.CHANGED, "serial number 701244 has address 3 now"),
])  # fmt: skip
def test_a_lost_link_leaves_word_of_how_things_stand(at: Deed, stage: Stage, words: str) -> None:
    visit = Visit("factory-fresh-pair")

    def loses(number: int, request: HandRequest) -> bool:
        if request.what is at:
            raise LinkError("The adapter was pulled.", "Plug it in.")
        return True

    visit.colleague.does = loses
    with pytest.raises(LinkError):
        visit.run()
    last = visit.told[-1]
    assert isinstance(last, events.SeparationEnded)
    assert last.result.interrupted
    assert last.result.stage is stage
    assert words in last.result.text


# -- the address by plan ------------------------------------------------------------------------


def part(name: str, address: int, serial: str = "", model: str = "") -> DevicePart:
    return DevicePart(name=name, link="bus", address=address, serial=serial, model=model)


def meter(serial: str, model: str = "TF 30") -> Device:
    return Device(1, Identity("Trollfen", model, "", serial, "sunspec"))


@pytest.mark.parametrize(
    ("planned", "known", "expected"),
    [
        ((part("grid", 1, "A"), part("boiler", 7, "B")), (1,), 7),
        # Its own place is taken: nothing is guessed.
        ((part("grid", 1, "A"), part("boiler", 7, "B")), (1, 7), None),
        # One place is left, and no serial number is planned for it.
        ((part("grid", 1), part("boiler", 7)), (1,), 7),
        ((part("grid", 1), part("boiler", 7), part("saw", 8)), (1,), None),
        # A place of another model, or one that is planned for another meter, is not its own.
        ((part("boiler", 7, model="NF 1"),), (1,), None),
        ((part("boiler", 7, "C"),), (1,), None),
        # It is the one that keeps the address.
        ((part("grid", 1, "B"), part("boiler", 7)), (1,), None),
        ((), (1,), None),
    ],
)
def test_the_planned_address_of_a_meter(
    planned: tuple[DevicePart, ...], known: tuple[int, ...], expected: int | None
) -> None:
    assert planned_address(meter("B"), 1, planned, known) == expected


def test_a_meter_gets_the_address_of_the_plan_and_who_keeps_it_is_disconnected_first() -> None:
    serials = sorted(Visit("both-on-one-address").addresses())
    planned = (part("grid", 1, serials[0]), part("boiler", 7, serials[1]))
    probe = Visit("both-on-one-address", planned=planned)
    result = probe.run()
    assert f"best that of {serials[0]}" in probe.colleague.asked[0].words
    assert result.stage is Stage.SEPARATED
    moved = result.meters[0].device
    # The simulated hands take off whichever they like: the plan fits one of the two.
    assert moved.address == (7 if moved.identity.serial == serials[1] else 2)
    assert probe.addresses()[moved.identity.serial] == moved.address


def test_one_is_not_believed_left_while_another_still_sticks_out(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two meters of one make, one far away: what is whole always comes of the nearer one."""
    truly = Job.look_for_duplicate

    async def mistaken(self: Job, *args: Any) -> DuplicateVerdict:
        verdict = await truly(self, *args)
        return replace(verdict, verdict="single") if len(visit.colleague.asked) else verdict

    monkeypatch.setattr(Job, "look_for_duplicate", mistaken)
    visit = Visit("both-on-one-address", does=lambda number, request: None)
    result = visit.run()
    assert result.stage is Stage.SHARED
    assert "could not be seen that one device is left" in result.text
    assert visit.plans == []
    assert visit.writes() == 0
