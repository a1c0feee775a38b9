"""The bench test of the scripted site: a meter with a fault in its map, and its settings."""

from __future__ import annotations

from collections.abc import Iterator

from busprobe.diagnosis.bench import (
    BenchSheet,
    Measured,
    ModelSheet,
    ReferenceResult,
    SettingsStatistics,
)
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device, Identity
from busprobe.model.finding import Evidence
from busprobe.model.line import LineSettings
from busprobe.procedures.change_address import ChangePlan, PlannedWrite
from busprobe.profiles.schema import Settings
from busprobe.session import events
from busprobe.session.bench import BenchWish
from busprobe.session.events import Event, Step, StepEnd
from busprobe.session.values import TourPlan

METER = Device(
    1, Identity("Nixenfurt", "NF 3F", "1.4", "700733", "sunspec"), functions=(3,), phases=3
)
_HOME, _FAST = LineSettings(9600), LineSettings(19200)
_HOW = Settings.model_validate(
    {
        "unlock": [{"register": 2000, "value": 6789}],
        "baud": {"register": 2002, "codes": {0: 9600, 1: 19200}},
        "save": [{"register": 2010, "value": 1}],
        "takes_effect": "after-save",
    }
)


def _leg(before: LineSettings, after: LineSettings, code: int) -> ChangePlan:
    writes = (
        PlannedWrite(2000, 6789, "unlocks the settings"),
        PlannedWrite(2002, code, f"its new rate: {after.baud}"),
        PlannedWrite(2010, 1, "saves the settings"),
    )
    return ChangePlan(METER, 1, before, after, _HOW, "nixenfurt-nf3f", writes)


TOUR = TourPlan(_HOME, (_FAST,), (_leg(_HOME, _FAST, 1), _leg(_FAST, _HOME, 0)))
_AT = "address 1"
CHECKS = (
    Check("identity", _AT, "It says who it is", "maker, model and serial number",
          "Nixenfurt NF 3F 700733", CheckOutcome.PASS),
    Check("map", _AT, "Its chain of models is whole", "marker, models, end model",
          "base 40000, models 1, 213", CheckOutcome.PASS),
    Check("lengths", _AT, "Its models have the published lengths", "model 213: 124",
          "model 213: 124", CheckOutcome.PASS),
    Check("points", f"{_AT}, model 1", "Model 1 holds its mandatory points", "5 mandatory points",
          "all 5 there", CheckOutcome.PASS),
    Check("points", f"{_AT}, model 213", "Model 213 holds its mandatory points",
          "19 mandatory points", "not implemented: PhVphB", CheckOutcome.FAIL,
          evidence=(Evidence(None, "optional, marked as not implemented: TotVAhExp, PF"),)),
    Check("answers", _AT, "It answers every request", "100 requests at 9600 8N1",
          "100 answered, turn-around 43.9 ms, 95 % within 44.9 ms, longest 45.9 ms",
          CheckOutcome.PASS, "loss rate below 3.0 % with 95 % confidence"),
    Check("gap", _AT, "It needs no long rest between requests", "t3.5, 3.65 ms",
          "3.65 ms, 12 of 12 answered", CheckOutcome.PASS),
    Check("exceptions", _AT, "It refuses illegal requests with the right exception",
          "0 registers: exception 03", "as the standard says", CheckOutcome.PASS),
    Check("long-reads", _AT, "It gives long reads", "125 registers of its map",
          "125 registers in one answer", CheckOutcome.PASS),
    Check("counter", _AT, "Its counter agrees with its power", "", "no current flows",
          CheckOutcome.NOT_TESTED),
    Check("reference", f"{_AT}, V_L1", "V_L1 agrees with the reference instrument",
          "230.4 V within 1.02 %", "231.1 V, off by +0.30 %", CheckOutcome.PASS),
    Check("answers", f"{_AT} at 19200 8N1", "It answers every request", "100 requests at 19200 8N1",
          "98 answered", CheckOutcome.FAIL),
)  # fmt: skip
SHEET = BenchSheet(
    address=1,
    device="Nixenfurt NF 3F",
    serial="700733",
    settings="9600 8N1",
    settings_note="answers at 9600 8N1 again",
    accuracy_class="1",
    models=(
        ModelSheet(1, "Common", 40002, 65, "66 or 65", True, 5, absent=("Opt",)),
        ModelSheet(213, "Meter", 40069, 124, "124", True, 19, missing=("PhVphB",),
                   absent=("PF", "TotVAhExp"), uncounted=("TotWhExp", "TotWhImp")),
    ),
    statistics=(
        SettingsStatistics("9600 8N1", True, Measured.YES, "", 100, 100, 43.9, 44.9, 45.9, 3.65),
        SettingsStatistics("19200 8N1", False, Measured.YES, "", 100, 98, 24.1, 31.0, 38.2, 1.82),
        SettingsStatistics("38400 8N1", False, Measured.NO, "stopped"),
    ),
    references=(
        ReferenceResult("V_L1", "V", 230.4, 231.1, 0.304, 1.02, "%", "common practice, no source",
                        CheckOutcome.PASS),
    ),
    checks=CHECKS,
    passed=False,
    complete=True,
    label="Nixenfurt NF 3F\nS/N 700733\nModbus address 1, 9600 8N1\n"
    "bench test 2026-11-25: NOT passed",
)  # fmt: skip


def bench_test(wish: BenchWish) -> Iterator[Event]:
    """Checks one after the other, the sheet, and the report."""
    text = f"Tests the meter at address {wish.address}. It only reads."
    yield events.StepStarted(Step.BENCH, text)
    for check in CHECKS[:4]:
        yield events.CheckMade(check)
    yield events.StepProgress(Step.BENCH, 42, 100, None, "asking again and again at 9600 8N1")
    for check in CHECKS[4:]:
        yield events.CheckMade(check)
    yield events.BenchSeen(SHEET)
    yield events.ReportWritten(
        ("bench/2026-11-25-report.html", "bench/2026-11-25-report.json"), "FAIL", "2 failed."
    )
    yield events.StepFinished(Step.BENCH, StepEnd.DONE, "Bench test NOT passed: 8 PASS, 2 FAIL.")
