"""The later steps of the scripted site: line, energy, handover, another address."""

from __future__ import annotations

import random
from collections.abc import Iterator
from copy import deepcopy
from dataclasses import replace

from busprobe.diagnosis.balance import (
    BalanceDiagnosis,
    BalanceVerdict,
    MeterBalance,
    MeterRole,
    Place,
    Role,
    Sign,
)
from busprobe.diagnosis.duplicate import DuplicateVerdict
from busprobe.diagnosis.line_health import Cause, Tally, Weighed
from busprobe.diagnosis.listening import Conversation, Heard, HeardDevice, LineState
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device, Identity
from busprobe.model.exchange import Exchange
from busprobe.model.finding import Evidence
from busprobe.model.line import LineSettings
from busprobe.procedures.change_address import (
    ChangePlan,
    ChangeResult,
    ChangeState,
    PlannedWrite,
    Written,
)
from busprobe.profiles.schema import Settings
from busprobe.session import events
from busprobe.session.events import Event, Step, StepEnd
from busprobe.session.values import SeparatedMeter, SeparationResult, Stage

TWO_AT_ONE = DuplicateVerdict(
    1, "duplicate", 0.9991, 6, ("30417788", "30417790"),
    (Evidence(1, "a second answer began 8.0 ms after the first one ended"),),
)  # fmt: skip
CAUSE = Cause(
    "no-bias", None, 0.93,
    (
        Evidence(12, "stray bytes 00 before an answer that was whole otherwise"),
        Evidence(None, "6 of 8 stray bytes fell into pauses longer than 5 ms"),
    ),
    {},
)  # fmt: skip
SECOND_CAUSE = Cause("noise", None, 0.06, (Evidence(31, "one bit differs"),), {})
CHECKS = (
    Check("answers", "grid meter", "Answers at its address", "address 1, 9600 8N1",
          "address 1, 9600 8N1", CheckOutcome.PASS, evidence=(Evidence(1, "a whole answer"),)),
    Check("alone", "grid meter", "Is alone at its address", "one device", "two devices",
          CheckOutcome.FAIL, evidence=(Evidence(1, "a second answer began 8.0 ms later"),)),
    Check("wiring", "heat pump meter", "Every CT on its phase, the right way round", "", "",
          CheckOutcome.NOT_TESTED, evidence=(Evidence(None, "no load was named"),)),
    Check("export-limit", "the site", "Export stays below the limit", "", "",
          CheckOutcome.NOT_APPLICABLE),
)  # fmt: skip


def listening() -> Iterator[Event]:
    """Somebody polls two meters; a third one is asked and stays silent."""
    yield events.StepStarted(Step.LINK, "Listens for 10 s. Nothing is sent.")
    yield events.StepProgress(Step.LINK, 5, 10, 5.0, "listening at 19200 8E1")
    devices = (
        HeardDevice(1, 20, 20, (3,), 0, 0, 0, 0.5, 14.2),
        HeardDevice(3, 20, 0, (3,), 0, 0, 20, 0.5, None),
        HeardDevice(7, 19, 18, (3, 4), 1, 0, 0, 0.52, 31.0),
    )
    talk = Conversation(devices, 0.5, 97, 12, 38, 0)
    settings = LineSettings(9600)
    heard = Heard(LineState.CONVERSATION, 0.999, settings, (settings,), None, {})
    yield events.LineHeard(heard, talk)
    yield events.StepFinished(Step.LINK, StepEnd.DONE, "A master polls 1, 3 and 7 at 9600 8N1.")


def line_check(exchanges: list[Exchange], soak_s: float) -> Iterator[Event]:
    """A line without bias: a stray byte now and then."""
    yield events.StepStarted(Step.LINE, "Asks 3 addresses with short and long reads.")
    tallies = {a: Tally(a) for a in (1, 2, 10)}
    for number, exchange in enumerate(exchanges):
        yield events.ExchangeMade(exchange)
        tallies[exchange.request.address].take(exchange)
        left = (len(exchanges) - number) * 0.06
        yield events.StepProgress(Step.LINE, number, len(exchanges), left, "short reads")
    yield events.LineWeighed(Weighed((CAUSE, SECOND_CAUSE), 2, len(exchanges), ()))
    drawn = random.Random(4)
    for second in range(round(soak_s) + 1):
        for exchange in exchanges[:9] if drawn.random() < 0.2 else exchanges[6:]:
            tallies[exchange.request.address].take(exchange)
        yield events.LineCounted(tuple(deepcopy(list(tallies.values()))), float(second))
    yield events.StepFinished(Step.LINE, StepEnd.DONE, "Likeliest: no bias (93 %).")


def balance(meters: dict[int, tuple[str, MeterRole]]) -> BalanceDiagnosis:
    """The generator's meter counts the wrong way round."""
    shown = {1: 1935.0, 2: 547.0, 10: -8130.0}
    found = []
    for address, (name, known) in meters.items():
        wrong = known.role is Role.HYBRID
        power = shown[address]
        true = -power if wrong or known.role is Role.LOAD else power
        found.append(
            MeterBalance(
                name, known.role, Sign.REVERSED if wrong else Sign.RIGHT, 1.0, ("L1", "L2", "L3"),
                0.9994, 0.9996, Place.BEHIND_GRID_METER, "", power, true, True,
            )
        )  # fmt: skip
    wrong = any(meter.sign is Sign.REVERSED for meter in found)
    return BalanceDiagnosis(
        BalanceVerdict.FAULT if wrong else BalanceVerdict.CORRECT, 0.9994, tuple(found),
        9518.0, 96.0, -6742.0, 9020.0, 84.0,
        ("Whether the consumer's meter counts the right way: its consumer did not change.",),
        None,
    )  # fmt: skip


def plan(device: Device, new_address: int) -> ChangePlan:
    """One register holds the address."""
    how = Settings.model_validate(
        {
            "address": {"register": 20, "lowest": 1, "highest": 247},
            "write_function": 6,
            "takes_effect": "at-once",
        }
    )
    line = LineSettings(9600)
    writes = (
        PlannedWrite(2, 6, "unlocks the settings"),
        PlannedWrite(20, new_address, "its new address"),
    )
    profile = "trollfen-tf3" if device.identity.maker == "Trollfen" else "nixenfurt-nf3"
    return ChangePlan(device, new_address, line, line, how, profile, writes)


def changed(planned: ChangePlan) -> ChangeResult:
    """Everything was written, and the device moved."""
    written = tuple(Written(w, 500 + i, "answered") for i, w in enumerate(planned.writes))
    text = f"The device answers at address {planned.new_address}."
    return ChangeResult(ChangeState.CHANGED, planned.new_address, text, written)


LEFT = Device(1, Identity("Trollfen", "TF-340", "2.1", "30417788", "sunspec"), duplicate="single")
OTHER = replace(LEFT, identity=replace(LEFT.identity, serial="30417790"))
CARE = (
    "Bus terminals often sit beside mains terminals. Isolate and prove dead before opening the "
    "cabinet; work there is for licensed electricians, by the local code."
)


def separation(address: int) -> Iterator[list[Event]]:
    """What happens between two answers of the technician while two meters are told apart."""
    both = f"More than one device answers at address {address} (serial numbers 30417788, 30417790)."
    yield [
        events.StepStarted(Step.ADDRESSES, "Looks who shares the address."),
        events.SeparationSeen(Stage.SHARED, both),
        events.OperatorAsked(
            f"Disconnect the bus wires (A and B) of ONE of the meters at address {address} (serial "
            f"numbers 30417788 and 30417790), whichever is easier to reach. {CARE}",
            "", False, True,
        ),
    ]  # fmt: skip
    left = f"Exactly one is left at address {address}: Trollfen TF-340, serial number 30417788."
    planned = plan(LEFT, 3)
    yield [events.SeparationSeen(Stage.ONE_LEFT, left), events.ChangePlanned(planned)]
    moved = "Trollfen TF-340, serial number 30417788 has address 3 now."
    yield [
        events.ChangeEnded(planned, changed(planned), "", "a test", address),
        events.SeparationSeen(Stage.CHANGED, moved),
        events.OperatorAsked(
            f"Connect the bus wires of the other meter (serial number 30417790) again. {CARE}",
            "", False, True,
        ),
    ]  # fmt: skip
    line = LineSettings(9600)
    result = SeparationResult(
        Stage.SEPARATED,
        "Both answer, each alone: Trollfen TF-340, serial number 30417788 at address 3, Trollfen "
        "TF-340, serial number 30417790 at address 1. Write it on them.",
        address,
        ("30417788", "30417790"),
        (
            SeparatedMeter(replace(LEFT, address=3), line, changed=True),
            SeparatedMeter(OTHER, line, changed=False),
        ),
    )
    yield [
        events.SeparationEnded(result),
        events.StepFinished(Step.ADDRESSES, StepEnd.DONE, result.text),
    ]


def not_separated(address: int) -> list[Event]:
    """The technician refused."""
    text = (
        f"The change was not confirmed. Nothing was written: Trollfen TF-340, serial number "
        f"30417788 answers at address {address} as before, and the other meter is disconnected."
    )
    return [
        events.SeparationEnded(SeparationResult(Stage.ONE_LEFT, text, address)),
        events.StepFinished(Step.ADDRESSES, StepEnd.FAILED, text),
    ]
