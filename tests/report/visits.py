"""Recordings and details for the tests of the report."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import asdict, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

from busprobe.diagnosis.wiring import KnownLoad
from busprobe.launch import link_opener
from busprobe.model.device import Device, Identity, ModelBlock, SunSpecMap, TurnAround
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.model.line import LineSettings, parse_link
from busprobe.model.reading import SignConvention, Snapshot
from busprobe.procedures.check_duplicate import check_duplicate
from busprobe.procedures.operator import HandRequest
from busprobe.procedures.sweep import Sweep, SweepPlan, sweep
from busprobe.recording.store import Recorder, create_recording
from busprobe.report.compose import compose
from busprobe.report.content import Report
from busprobe.report.material import gather
from busprobe.session.job import Job
from busprobe.session.keeping import begin_recording
from busprobe.session.ports import Hands
from busprobe_sim.ports.virtual import run_virtual
from tests.simulated_buses import Registers, simulated_bus, station

NOW = datetime(2026, 3, 29, 17, 5, 0, tzinfo=timezone(timedelta(hours=2)))
STARTED = datetime(2026, 3, 29, 9, 30, 0, tzinfo=timezone(timedelta(hours=2)))
S = 1_000_000_000
METER = Device(
    address=2,
    identity=Identity("Nixenfurt", "NF 3F", "2.02", "700412", "sunspec"),
    sunspec=SunSpecMap(40000, (ModelBlock(1, 40002, 66), ModelBlock(213, 40070, 124))),
    duplicate="single",
    turnaround=TurnAround(43.9, 44.6),
    functions=(3,),
    phases=3,
)
REVERSED = Finding(
    code="ct-reversed",
    severity=Severity.FAULT,
    address=2,
    device="Nixenfurt NF 3F",
    summary="CT on L2 is reversed",
    cause="A load switched on lowers the power.",
    probability=0.9994,
    evidence=(Evidence(None, "45 s, load on L2: L2 -1893 W"),),
    remedy="Turn it round.",
    caution="Never open a CT secondary under load.",
)
RIGHT = replace(
    REVERSED,
    code="wiring-correct",
    severity=Severity.NOTE,
    summary="Every CT and voltage lead is right",
    caution=None,
)
DOUBLE = replace(
    REVERSED,
    code="duplicate-address",
    address=5,
    device=None,
    summary="More than one device answers at address 5.",
    evidence=(Evidence(7, "two whole answers to one request"),),
    caution=None,
)


def recording(
    path: Path,
    *,
    link: str = "/dev/ttyUSB0",
    devices: Sequence[Device] = (METER,),
    findings: Sequence[Finding] = (),
    also: Callable[[Recorder], None] = lambda recorder: None,
    started: datetime = STARTED,
) -> Path:
    """A recording without traffic: what was known and found."""
    recorder = create_recording(
        path,
        endpoint=parse_link(link),
        framing="rtu",
        version="0.1.0",
        started=started,
        started_t_ns=0,
    )
    recorder.settings(0, LineSettings())
    for number, device in enumerate(devices):
        recorder.event(number * S, "DeviceKnown", asdict(device))
    for finding in findings:
        recorder.finding(5 * S, finding)
    also(recorder)
    assert recorder.close() is None
    return path


def snapshots(
    recorder: Recorder, *, reversed_l2: bool = False, start_s: float = 10.0, address: int = 2
) -> None:
    """A wiring test: 2 kW switched on L1, L2, L3 one after the other, over a steady house."""
    recorder.event(
        round(start_s * S),
        "StepStarted",
        {
            "step": "wiring",
            "intent": f"Read the meter at address {address} once a second while a load of 2000 W "
            "is switched. Nothing is written.",
        },
    )
    for second in range(81):
        quantities: dict[str, float] = {}
        for number, phase in enumerate(("L1", "L2", "L3")):
            on = 20 + 20 * number <= second < 30 + 20 * number
            # A house that is never quite still: 3 W of alternating noise.
            power = 400.0 + 50.0 * number + (1960.0 if on else 0.0) + 3.0 * ((second * 7) % 5 - 2)
            reactive = 120.0 + ((second * 3) % 5 - 2)
            sign = -1.0 if reversed_l2 and phase == "L2" else 1.0
            apparent = (power**2 + reactive**2) ** 0.5
            quantities |= {
                f"V_{phase}": 230.0 - (0.6 if on else 0.0),
                f"I_{phase}": apparent / 230.0,
                f"P_{phase}": sign * power,
                f"Q_{phase}": sign * reactive,
            }
        quantities["P"] = sum(quantities[f"P_L{n}"] for n in (1, 2, 3))
        t_ns = round((start_s + 1 + second) * S)
        recorder.snapshot(Snapshot(t_ns, address, quantities, SignConvention.UNKNOWN))
    recorder.event(
        round((start_s + 83) * S),
        "StepFinished",
        {"step": "wiring", "end": "done", "summary": ""},
    )


def collided(path: Path) -> Path:
    """A sweep over a simulated bus with two devices at address 5, and a finding that cites it."""
    bus = simulated_bus(
        station(3),
        station(5),
        station(5, turnaround_ms=30.5),
        servers={2: Registers(value=0x00FF)},
    )
    assert bus.settings is not None
    recorder = create_recording(
        path,
        endpoint=bus.link.endpoint,
        framing="rtu",
        version="0.1.0",
        started=STARTED,
        started_t_ns=bus.now(),
        arrival_uncertainty_ns=bus.link.arrival_uncertainty_ns,
    )
    recorder.settings(bus.now(), bus.settings)
    bus.on_chunk, bus.on_exchange = recorder.chunk, recorder.exchange
    run_virtual(sweep(bus, Sweep(SweepPlan(addresses=tuple(range(1, 9))))))
    now = bus.now()
    recorder.event(now, "DeviceKnown", asdict(replace(METER, address=3)))
    recorder.event(now, "DeviceKnown", asdict(Device(5, duplicate="duplicate")))
    recorder.finding(now, DOUBLE)
    assert recorder.close() is None
    return path


def looked_for_a_second_one(path: Path) -> Path:
    """A test for a second device at address 3, which also asks at rates that are a little off."""
    bus = simulated_bus(station(3))
    assert bus.settings is not None
    recorder = create_recording(
        path,
        endpoint=bus.link.endpoint,
        framing="rtu",
        version="0.1.0",
        started=STARTED,
        started_t_ns=bus.now(),
        arrival_uncertainty_ns=bus.link.arrival_uncertainty_ns,
    )
    recorder.settings(bus.now(), bus.settings)
    bus.on_chunk, bus.on_exchange = recorder.chunk, recorder.exchange
    bus.on_settings = lambda settings: recorder.settings(bus.now(), settings)
    assert run_virtual(check_duplicate(bus, 3)).verdict == "single"
    recorder.event(bus.now(), "DeviceKnown", asdict(replace(METER, address=3)))
    assert recorder.close() is None
    return path


class Colleague:
    """Switches the simulated load a second after it is asked."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands

    def ask(self, request: HandRequest, now_ns: int) -> None:
        self._hands.plug(request.phase, request.power_w, request.on, now_ns + S)

    def answer(self) -> bool | None:
        return True


def wired(path: Path) -> Path:
    """The wiring test of the demo site, as the command records it."""

    async def run() -> None:
        endpoint = parse_link("sim:demo")
        opened = await link_opener(pace="virtual")(endpoint, None)
        assert opened.hands is not None
        recorder = begin_recording(path, opened.link)
        job = Job(opened, endpoint, lambda event: None, recorder=recorder)
        try:
            await job.find_device(2, None)
            await job.check_wiring(2, KnownLoad(2000.0), Colleague(opened.hands))
        finally:
            await job.close()

    asyncio.run(run())
    return path


def changed_visit(path: Path, scenario: str, address: int, new_address: int) -> Path:
    """A visit in which a device was given another address."""

    async def visit() -> None:
        endpoint = parse_link(f"sim:{scenario}")
        opened = await link_opener(pace="virtual")(endpoint, None)
        recorder = begin_recording(path, opened.link)
        job = Job(opened, endpoint, lambda event: None, recorder=recorder)
        try:
            plan = await job.plan_change(address, new_address, None)
            await job.change(plan, "the technician")
        finally:
            await job.close()

    run_virtual(visit())
    return path


def report(
    *found: Path,
    left: Sequence[Path] = (),
    verification: Path | None = None,
    details: Path | None = None,
) -> Report:
    """The report of some files."""
    material = gather(found, left, verification, details)
    return compose(material, now=NOW, version="0.1.0")
