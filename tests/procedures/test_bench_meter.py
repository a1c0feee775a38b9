"""The bench test against meters with one fault each: every fault is found, and nothing else."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path

import pytest

from busprobe.diagnosis.bench import BenchSheet, Measured, bench_findings, profile_check
from busprobe.model.check import CheckOutcome
from busprobe.model.device import Device
from busprobe.model.line import LineSettings, parse_link
from busprobe.procedures.bench_meter import BenchPlan
from busprobe.session.bench import bench, in_turn
from busprobe.session.events import CheckMade, Event
from busprobe.session.job import Job
from busprobe.session.ports import OpenedLink
from busprobe.session.values import TourPlan
from busprobe_sim.ports.virtual import run_virtual
from busprobe_sim.scenario import open_simulated

METER = {
    "name": "meter", "address": 1, "type": "trollfen-tf30", "serial": "TF30-1", "position_m": 1,
}  # fmt: skip


def on_the_table(
    folder: Path,
    device: Mapping[str, object],
    *,
    confirm: bool = False,
    stop_after: int | None = None,
    plan: BenchPlan | None = None,
) -> tuple[BenchSheet, Job, list[Event]]:
    """The bench test of one simulated meter with mains and a load."""
    file = folder / "table.yaml"
    split = "202" in str(device)
    scenario = {
        "title": "table", "story": "One meter.", "line": {"settings": "9600 8N1", "length_m": 2},
        "devices": [{**METER, **device}],
        "site": {"household": "off", "base_w": [900, 700, 0 if split else 800]}, "truth": [],
    }  # fmt: skip
    file.write_text(json.dumps(scenario), encoding="utf-8")
    endpoint = parse_link(f"sim:{file}")
    link, bus = open_simulated(endpoint, LineSettings(), "virtual")
    events: list[Event] = []

    def stopped() -> bool:
        made = sum(isinstance(e, CheckMade) for e in events)
        return stop_after is not None and made >= stop_after

    job = Job(OpenedLink(link, bus.hands), endpoint, events.append, stopped)

    def confirmed(tour: TourPlan) -> str:
        return "the test"

    async def work() -> BenchSheet:
        wanted = plan or BenchPlan(requests=20, watch_s=0.0, day="2026-01-02")
        return await bench(job, 1, wanted, confirmed if confirm else None)

    return run_virtual(work()), job, events


def failed(sheet: BenchSheet) -> list[tuple[str, str]]:
    """Name and found of each check that failed."""
    return [(c.name, c.found) for c in sheet.checks if c.outcome is CheckOutcome.FAIL]


def quirk(**parts: object) -> dict[str, object]:
    return {"quirks": [parts]}


FAULTS = {
    "length stated wrong": (
        quirk(kind="model-length", model=203, by=-1), "lengths", "model 203: 104",
    ),
    "map shorter than published": (
        quirk(kind="short-model", model=203, by=-2), "lengths", "model 203: 103",
    ),
    "mandatory point refused": (
        quirk(kind="hole", model=203, name="TotWhImp"), "points", "cannot be read: TotWhImp",
    ),
    "mark where mandatory": (
        quirk(kind="register", model=203, name="PhVphB", hex="8000"), "points",
        "not implemented: PhVphB",
    ),
    "mandatory text empty": (
        quirk(kind="register", model=1, name="Md", hex="00" * 32), "points", "not implemented: Md",
    ),
    "mandatory scale factor not implemented": (
        quirk(kind="register", model=203, name="TotWh_SF", hex="8000"), "points",
        "not implemented: TotWh_SF",
    ),
    "scale factor out of range": (
        quirk(kind="register", model=203, name="VA_SF", hex="000B"), "scales", "VA_SF is 11",
    ),
    "scale factor of a value missing": (
        quirk(kind="register", model=203, name="VAR_SF", hex="8000"), "scales",
        "VAR_SF is not implemented",
    ),
    "scale factor off by ten": (
        quirk(kind="register", model=203, name="V_SF", hex="FFFE"), "readings", "Voltage",
    ),
    "mark of another type": (
        quirk(kind="register", model=203, name="TotVAhExp", hex="FFFFFFFF"), "marks",
        "TotVAhExp (acc32) holds FFFFFFFF",
    ),
    "another address in the map": (
        quirk(kind="register", model=1, name="DA", hex="0007"), "device-address", "7",
    ),
    "needs a rest": ({"timing": {"min_gap_ms": 30}}, "gap", "50.00 ms, 12 of 12 answered"),
    "long reads refused": (
        {"firmware": {"functions": [3], "read_limit": 50}}, "long-reads",
        "50 registers in one answer",
    ),
    "refuses wrongly": (quirk(kind="wrong-refusal", code=4), "exceptions", "exception 04"),
    "loses requests": ({"timing": {"drop_rate": 0.15}}, "answers", " answered"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_found_and_nothing_else(fault: str, tmp_path: Path) -> None:
    device, name, found = FAULTS[fault]
    plan = BenchPlan(requests=60 if fault == "loses requests" else 20, watch_s=0.0)
    sheet, job, _ = on_the_table(tmp_path, device, plan=plan)
    # An empty name is no name either.
    expected = ["identity", "points"] if fault == "mandatory text empty" else [name]
    told = failed(sheet)
    assert [n for n, _ in told] == expected
    assert found in dict(told)[name]
    assert not sheet.passed
    codes = {code for code, _ in job.findings}
    assert codes == {c for check in sheet.checks for c in check.finding_codes}


@pytest.mark.parametrize(
    "device",
    [
        {},
        {"type": "nixenfurt-nf3f"},
        {"sunspec": {"base": 0, "common_length": 65, "models": [201]}},
        {"sunspec": {"models": [203, 213]}},
        {"sunspec": {"models": [204], "device_address": False}},
        {"sunspec": {"models": [211]}},
        {"sunspec": {"models": [214]}},
        {"sunspec": {"models": [103, 203]}},
        {"sunspec": {"models": [113]}},
        quirk(kind="pad", value=0x5A5A),
    ],
    ids=str,
)
def test_a_sound_meter_of_any_model_passes(device: dict[str, object], tmp_path: Path) -> None:
    sheet, job, _ = on_the_table(tmp_path, device)
    assert failed(sheet) == []
    assert sheet.passed
    assert sheet.complete
    assert not job.findings
    assert "bench test 2026-01-02: passed" in sheet.label


def test_a_meter_with_a_profile_alone_is_held_against_its_profile(tmp_path: Path) -> None:
    sheet, job, _ = on_the_table(tmp_path, {"type": "elfmoor-ef63"})
    checks = {c.name: c for c in sheet.checks}
    assert checks["map"].outcome is CheckOutcome.NOT_APPLICABLE
    assert checks["profile-map"].outcome is CheckOutcome.PASS
    assert "elfmoor-ef63" in checks["profile-map"].planned
    assert checks["long-reads"].outcome is CheckOutcome.PASS
    # It knows function 04 only: nothing that measures it may ask with another.
    often = Counter(e.request.pdu[0] for e in job.exchanges if len(e.request.pdu) == 5)
    assert often.most_common(1)[0][0] == 4
    # It has no register for its serial number, and that is all that is amiss.
    assert {name for name, _ in failed(sheet)} == {"identity"}


def test_a_profile_that_the_meter_does_not_follow_is_told() -> None:
    device = Device(1, profile="elfmoor-ef63")
    check = profile_check(device, 12, "registers 40 to 59: exception 02")
    assert check.outcome is CheckOutcome.FAIL
    (told,) = bench_findings(1, None, [check])
    assert told.code == "bench-profile-differs"
    assert "exception 02" in told.cause


def test_split_phase_models_hold_what_their_system_has(tmp_path: Path) -> None:
    """On a three-phase supply their voltages do not fit the system; their map is whole."""
    device = {"sunspec": {"base": 50000, "models": [202, 212]}}
    sheet, _, _ = on_the_table(tmp_path, device)
    assert {name for name, _ in failed(sheet)} == {"readings"}


def test_without_confirmation_nothing_is_written_and_it_is_told(tmp_path: Path) -> None:
    sheet, job, _ = on_the_table(tmp_path, {"type": "nixenfurt-nf3f", "serial": "700001"})
    assert [s.settings for s in sheet.statistics if s.measured is Measured.YES] == ["9600 8N1"]
    left_out = [c for c in sheet.checks if c.name == "settings"]
    assert [c.outcome for c in left_out] == [CheckOutcome.NOT_TESTED]
    assert "19200, 38400, 115200 Bd at 8N1" in left_out[0].planned
    assert "not confirmed" in sheet.settings_note
    # Functions 05, 06, 0F, 10, 16 and 17 write (MODBUS Application Protocol V1.1b3, section 6).
    assert not {e.request.pdu[0] for e in job.exchanges} & {0x05, 0x06, 0x0F, 0x10, 0x16, 0x17}
    assert sheet.written == ()


def test_every_offered_setting_is_measured_and_the_meter_brought_back(tmp_path: Path) -> None:
    sheet, job, _ = on_the_table(
        tmp_path, {"type": "nixenfurt-nf3f", "serial": "700001"}, confirm=True
    )
    assert {s.measured for s in sheet.statistics} == {Measured.YES}
    rates = {s.settings.partition(" ")[0] for s in sheet.statistics}
    assert rates == {"9600", "19200", "38400", "115200"}
    assert all(s.answered == s.requests == 20 for s in sheet.statistics)
    assert job.bus.settings == LineSettings(9600)
    assert job.settings_of[1] == LineSettings(9600)
    assert sheet.settings == "9600 8N1"
    assert [c.outcome for c in sheet.checks if c.name == "settings-restored"] == [CheckOutcome.PASS]
    assert len(sheet.written) >= 3 * len(sheet.statistics)


def test_stopped_on_the_way_it_is_brought_back_all_the_same(tmp_path: Path) -> None:
    whole, _, _ = on_the_table(tmp_path, {"type": "nixenfurt-nf3f"}, confirm=True)
    names = [(c.name, c.subject) for c in whole.checks]
    first = next(n for n, (_, subject) in enumerate(names) if " at " in subject)
    sheet, job, _ = on_the_table(
        tmp_path, {"type": "nixenfurt-nf3f"}, confirm=True, stop_after=first + 1
    )
    assert not sheet.complete
    assert sheet.written
    assert job.bus.settings == LineSettings(9600)
    assert [c.outcome for c in sheet.checks if c.name == "settings-restored"] == [CheckOutcome.PASS]
    assert any(s.why == "stopped" for s in sheet.statistics)


def test_a_meter_that_forgets_or_stays_away_is_told_where_it_is(tmp_path: Path) -> None:
    """It answers nobody any more once its rate was changed: that must be said, not hoped."""
    device = {"type": "nixenfurt-nf3f", "serial": "700001", "position_m": 1}
    sheet, job, _ = on_the_table(
        tmp_path,
        {**device, "firmware": _stays_away()},
        confirm=True,
    )
    restored = [c for c in sheet.checks if c.name == "settings-restored"]
    assert [c.outcome for c in restored] == [CheckOutcome.FAIL]
    assert "not known" in restored[0].found
    assert ("bench-settings-stranded", 1) in job.findings
    assert "NOT 9600 8N1" in sheet.label
    assert not sheet.passed


def _stays_away() -> dict[str, object]:
    """Setting registers of the type, with a rate code that means another rate than published."""
    return {
        "functions": [3, 16, 43],
        "settings": {
            "address_register": 2001, "baud_register": 2002,
            "baud_codes": {0: 9600, 1: 1200, 2: 1200, 3: 1200},
            "unlock": {"register": 2000, "value": 0x1A85},
            "save": {"register": 2010, "value": 1},
        },
    }  # fmt: skip


def test_settings_are_visited_in_an_order_in_which_the_rate_changes_each_time() -> None:
    home = LineSettings(9600)
    every = [
        LineSettings(b, p, s) for b in (9600, 19200, 38400) for p in ("N", "E", "O") for s in (1, 2)
    ]
    order = (home, *in_turn(home, [s for s in every if s != home]), home)
    assert set(order) == set(every)
    assert len(order) == len(every) + 1
    assert all(a.baud != b.baud for a, b in pairwise(order))
