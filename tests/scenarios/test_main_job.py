"""Every shipped scenario, judged from its bytes alone and held against its hidden truth."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

import pytest

from busprobe.diagnosis.wiring import KnownLoad, WiringDiagnosis, WiringVerdict
from busprobe.model.errors import InputError
from busprobe.model.finding import Severity
from busprobe.model.line import LineSettings, parse_link
from busprobe.procedures.check_wiring import WiringPlan
from busprobe.procedures.operator import HandRequest
from busprobe.session.events import Event, StepFinished
from busprobe.session.job import Job
from busprobe.session.ports import Hands, OpenedLink
from busprobe.session.values import FindPlan
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import SimulatedBus, open_simulated, scenario_names
from simulated_buses import frames_asked

# What a search can tell; the other faults need the line or the wiring examined.
SEARCH_CODES = {
    "duplicate-address",
    "settings-differ",
    "echo-heard",
    "late-answer",
    "active-text",
}


class Helper:
    """Hands that do at once what is asked."""

    def __init__(self, hands: Hands) -> None:
        self.hands = hands

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self.hands.plug(request.phase, request.power_w, request.on, now_ns + 1_000_000_000)

    def answer(self) -> bool | None:
        return True


def opened(name: str) -> tuple[Job, SimulatedBus, list[Event]]:
    """A job on a scenario in virtual time, at settings that the bus need not have."""
    endpoint = parse_link(f"sim:{name}")
    link, bus = open_simulated(endpoint, LineSettings(), "virtual")
    events: list[Event] = []
    return Job(OpenedLink(link, bus.hands), endpoint, events.append), bus, events


def run(work: Callable[[Job], Awaitable[object]], job: Job) -> object:
    async def go() -> object:
        return await work(job)

    return run_virtual(go())


@pytest.mark.parametrize("name", [n for n in scenario_names() if n != "foreign-master"])
def test_a_search_finds_what_is_there_and_invents_nothing(name: str) -> None:
    job, bus, events = opened(name)
    run(lambda j: j.find(FindPlan()), job)
    present = {d.address for d in bus.truth.devices}
    silent = {f.address for f in bus.truth.faults if f.code == "swapped-pair"}
    assert set(job.devices) == present - silent
    expected = {(f.code, f.address) for f in bus.truth.faults if f.code in SEARCH_CODES}
    found = set(job.findings)
    assert expected <= found
    invented = {
        key
        for key, finding in job.findings.items()
        if finding.severity is Severity.FAULT and key not in expected
    }
    assert not invented
    assert isinstance(events[-1], StepFinished)


@pytest.mark.parametrize("name", scenario_names())
def test_no_search_ever_writes_or_broadcasts(name: str) -> None:
    job, bus, _ = opened(name)
    try:
        run(lambda j: j.find(FindPlan(addresses=tuple(range(1, 12)), insist=True)), job)
    finally:
        asked = frames_asked(bus.line.log)
    assert asked
    # FC 03, 04, 11 (report server id) and 2B/0E (device identification) only read.
    assert {data[1] for data in asked} <= {0x03, 0x04, 0x11, 0x2B}
    assert all(1 <= data[0] <= 247 for data in asked)


def test_a_search_does_not_talk_into_a_foreign_conversation() -> None:
    job, bus, _ = opened("foreign-master")
    with pytest.raises(InputError, match="Another master"):
        run(lambda j: j.find(FindPlan()), job)
    assert not [e for e in bus.line.log if e.sender.startswith("port")]
    assert ("foreign-master", None) in job.findings


def test_the_user_can_insist() -> None:
    job, _, _ = opened("foreign-master")
    run(lambda j: j.find(FindPlan(addresses=(1, 2, 3), insist=True)), job)
    assert 1 in job.devices


@pytest.mark.parametrize(
    ("name", "address", "codes"),
    [
        ("healthy", 2, set()),
        ("reversed-ct", 1, {"ct-reversed"}),
        ("ct-on-wrong-phase", 1, {"cts-swapped"}),
        ("demo", 2, {"ct-reversed"}),
    ],
)
def test_wiring_under_a_known_load(name: str, address: int, codes: set[str]) -> None:
    job, bus, _ = opened(name)
    load = KnownLoad(2000.0)

    async def check(job: Job) -> WiringDiagnosis:
        return await job.check_wiring(address, load, Helper(bus.hands), WiringPlan(load))

    diagnosis = run(check, job)
    assert isinstance(diagnosis, WiringDiagnosis)
    wanted = WiringVerdict.FAULT if codes else WiringVerdict.CORRECT
    assert diagnosis.verdict is wanted
    assert diagnosis.probability >= 0.999
    faults = {c for (c, _), f in job.findings.items() if f.severity is Severity.FAULT}
    assert faults == codes
    for (code, _), finding in job.findings.items():
        if code in codes:
            assert finding.caution
            assert finding.remedy


@pytest.mark.parametrize("name", ["healthy", "demo", "odd-firmware"])
def test_the_same_seed_gives_the_same_search(name: str) -> None:
    def course() -> tuple[list[object], int]:
        job, bus, _ = opened(name)
        run(lambda j: j.find(FindPlan(second_round=False)), job)
        return list(job.findings.values()), bus.line.now_ns

    assert course() == course()
