"""Text from devices, adapters and files is data: no markup, no escapes, no reordering."""

from __future__ import annotations

from dataclasses import replace

import fake_later_steps as later
import pytest
from fake_session import CT_FINDING, DUPLICATE_FINDING, FakeSession, diagnosis
from stage import SCENARIOS, Port, on_stage

from busprobe.diagnosis.balance import MeterRole, Role
from busprobe.diagnosis.line_health import Weighed
from busprobe.diagnosis.wiring import WiringVerdict
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device, Identity
from busprobe.model.errors import LinkError
from busprobe.model.finding import Evidence
from busprobe.model.reading import Reading, ReadingState, Snapshot
from busprobe.procedures.change_address import PlannedWrite
from busprobe.session import events
from busprobe.session.events import Step, StepEnd
from busprobe.tui.app import BusprobeApp

HOSTILE = {
    "markup": "[/bad] [bold red]x[/] [@click=app.quit]quit[/] {0} %s",
    "escapes": "\x1b[31mred\x1b]0;title\x07 abc\u202edcba \u2066\u200b\ufeff line\nbreak\ttab\r",
    "long": "x" * 400,
    "wide": "表計 e\u0301\u0301\u0301 " * 40,
}
ACTIVE = set("\x1b\x07\u202e\u2066\u200b\ufeff\r\t")


def hostile_app(text: str) -> BusprobeApp:
    port = Port(text, text, group=text, permitted=False)
    return BusprobeApp(
        FakeSession(), link_argument=None, ports=lambda: [port],
        scenarios=[*SCENARIOS, (text, text)], theme="busprobe-dark", glyphs="braille",
    )  # fmt: skip


def hostile_events(text: str) -> list[events.Event]:
    device = Device(2, Identity(text, text, text, text, "sunspec"), profile=text, phases=3)
    finding = replace(
        CT_FINDING, code=text, summary=text, cause=text, remedy=text, caution=text, device=text,
        evidence=(Evidence(1, text),),
    )  # fmt: skip
    wiring = diagnosis(WiringVerdict.FAULT, 0.9)
    wiring = replace(
        wiring,
        explanations=(replace(wiring.explanations[0], remedy=text),),
        not_identifiable=(text,),
        next_experiment=text,
    )
    quantities = {"V_L1": 230.0, "I_L1": 1.0, "P_L1": 200.0}
    reading = Reading(text, text, text, (1,), ReadingState.SUSPECT, text)
    return [
        events.StepStarted(Step.FIND, text),
        events.StepProgress(Step.FIND, 1, 2, 1.0, text),
        events.DeviceKnown(device),
        events.ReadingsTaken(Snapshot(1, 2, quantities), (reading,)),
        events.FindingRaised(finding),
        events.FindingRaised(replace(DUPLICATE_FINDING, address=2, summary=text)),
        events.StepFinished(Step.FIND, StepEnd.DONE, text),
        events.StepStarted(Step.WIRING, text),
        events.OperatorAsked(text, text, True, answerable=True),
        events.WiringSeen(2, wiring),
        *hostile_later_events(text, device),
    ]


def hostile_later_events(text: str, device: Device) -> list[events.Event]:
    """The same text through line, energy, handover and another address."""
    seen = replace(later.TWO_AT_ONE, address=2, serials=(text, text + "2"), manner=text)
    cause = replace(later.CAUSE, code=text, evidence=(Evidence(1, text),))
    check = Check(text, text, text, text, text, CheckOutcome.FAIL, text, (Evidence(1, text),))
    known = {2: (text, MeterRole(Role.LOAD))}
    meters = tuple(replace(m, name=text, behind=text) for m in later.balance(known).meters)
    balance = replace(
        later.balance(known), meters=meters, not_identifiable=(text,), next_experiment=text
    )
    plan = later.plan(device, 9)
    plan = replace(plan, profile=text, writes=(PlannedWrite(20, 9, text),))
    return [
        events.DuplicateSeen(seen),
        events.LineWeighed(Weighed((cause,), 1, 2, ())),
        events.CheckMade(check),
        events.BalanceSeen(balance),
        events.RecordingBegun(text),
        events.ReportWritten((text,), text, text),
        events.ChangePlanned(plan),
    ]


def harmless(text: str) -> bool:
    return not ACTIVE & set(text)


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
async def test_every_screen_bears_any_text(text: str) -> None:
    async with on_stage(hostile_app(text), size=(120, 40)) as stage:
        assert harmless(stage.screen_text())
        await stage.press("end", "up", "s")
        for event in hostile_events(text):
            stage.session.emit(event)
        for key in ("1", "2", "v", "v", "v", "3", "4", "6", "v", "v", "7", "5", "d", "b", "f", "b"):
            await stage.press(key)
            assert harmless(stage.screen_text()), key
        stage.session.emit(events.StepFinished(Step.WIRING, StepEnd.DONE, text))
        await stage.settle()
        assert harmless(stage.screen_text())
        # The dialog for another address: refused, planned, written.
        await stage.press("3", "a")
        planned = hostile_later_events(text, Device(2, Identity(text, text, text, text, text)))[-1]
        assert isinstance(planned, events.ChangePlanned)
        result = later.changed(planned.plan)
        written = tuple(replace(w, outcome=text) for w in result.written)
        result = replace(result, text=text, written=written)
        for event in (
            planned,
            events.ChangeEnded(None, None, text),
            events.ChangeEnded(planned.plan, result, ""),
        ):
            stage.session.emit(event)
            await stage.settle()
            assert harmless(stage.screen_text()), event
        await stage.press("escape")
        stage.session.emit(events.LinkLost(LinkError(text, text)))
        await stage.press("1")
        assert harmless(stage.screen_text())
        assert stage.app.is_running


async def test_a_link_with_hostile_name_is_opened_by_its_true_name() -> None:
    async with on_stage(hostile_app("/dev/\x1b[31mtty"), size=(120, 40)) as stage:
        await stage.press("s")
        assert stage.session.calls == [("open", ("/dev/\x1b[31mtty", None))]


async def test_markup_is_shown_as_it_is_written() -> None:
    async with on_stage(hostile_app("[bold]M[/bold]"), size=(120, 40)) as stage:
        await stage.open()
        for event in hostile_events("[bold]M[/bold]"):
            stage.session.emit(event)
        await stage.press("2")
        assert "[bold]M[/bold] [bold]M[/bold]" in stage.screen_text()
        await stage.press("d")
        assert "[bold]M[/bold]" in stage.screen_text()
