"""Whole verifications of simulated sites, held against what is really there."""

from __future__ import annotations

import pytest
from verifying import EXAMPLE, HEALTHY, Run, plan_of

from busprobe.diagnosis.wiring import KnownLoad
from busprobe.model.check import CheckOutcome
from busprobe.model.finding import Severity
from busprobe.session.events import CheckMade, Step, StepFinished
from busprobe.session.verification import VerifyOptions
from busprobe.site.items import Group

FIRST = frozenset({Group.FIND, Group.DUPLICATES, Group.IDENTITY})
READS = {0x03, 0x04, 0x11, 0x2B}
PASS, FAIL, NOT_TESTED = "PASS", "FAIL", "NOT TESTED"

GENERATOR = """
format: 1
site: {name: Wood gas}
links: [{name: bus, link: "sim:reversed-generator-meter", settings: 9600 8N1}]
meters:
  - {name: grid, link: bus, address: 1, role: grid}
  - {name: gen meter, link: bus, address: 2, role: generation, feeds: chp}
generators: [{name: set, kind: chp, rating_kw: 9, meter: gen meter}]
"""


def quick(*groups: Group, **more: object) -> VerifyOptions:
    return VerifyOptions(frozenset(groups), quick=True, **more)  # type: ignore[arg-type]


def assert_reads_only(run: Run) -> None:
    # MODBUS Application Protocol V1.1b3: 03 and 04 read registers, 11 reports the server id, 2B
    # reads the identification; a diagnostic loop-back (08) writes nothing either.
    assert run.requests
    assert {data[1] for data in run.requests} <= READS | {0x01, 0x08}
    assert all(1 <= data[0] <= 247 for data in run.requests)


def test_a_healthy_site_passes_everything_that_was_tested() -> None:
    run = Run(plan_of(HEALTHY), VerifyOptions(quick=True, watch_s=40.0))
    assert run.whole.complete
    outcomes = {c.outcome for c in run.whole.checks}
    assert CheckOutcome.FAIL not in outcomes
    open_ = {c.name for c in run.whole.checks if c.outcome is CheckOutcome.NOT_TESTED}
    # A quick run without a load, while the site imports: nothing is said of its limit.
    assert open_ == {"unplanned-devices", "wiring", "export-limit", "balance"}
    for name, subject in (
        ("sign", "grid"),
        ("role", "workshop"),
        ("house-load", "Orchard"),
        ("line-health", "bus"),
        ("poll-cycle", "bus"),
        ("serial", "grid"),
    ):
        assert run.outcome(name, subject) == PASS, (name, subject)
    assert not run.job.has_faults
    assert_reads_only(run)
    on_line = [c for c in run.made if c.name not in ("island", "charging", "exporting")]
    assert [e.check for e in run.events if isinstance(e, CheckMade)] == on_line
    ends = [e for e in run.events if isinstance(e, StepFinished) and e.step is Step.HANDOVER]
    assert len(ends) == 1


def test_a_plan_that_does_not_match_fails_where_it_differs() -> None:
    wrong = (
        HEALTHY.replace("serial: TF30-118204", "serial: TF30-999999")
        .replace("model: NF 3F", "model: NF 1")
        .replace("settings: 9600 8N1", "settings: 19200 8N1")
        .replace("name: hybrid, link: bus, address: 10", "name: hybrid, link: bus, address: 11")
        .replace("positive: import", "positive: export")
    )
    run = Run(plan_of(wrong), VerifyOptions(FIRST | {Group.BALANCE}, watch_s=15.0))
    assert run.outcome("line-settings", "bus") == FAIL
    assert run.outcome("answers", "grid") == FAIL
    assert run.outcome("serial", "grid") == FAIL
    assert run.whole.done["serial", "grid"].found == "TF30-118204"
    assert run.outcome("identity", "grid") == PASS
    assert run.outcome("identity", "workshop") == FAIL
    assert run.outcome("unplanned-devices", "bus") == FAIL
    assert run.whole.done["unplanned-devices", "bus"].found == "address 10"
    assert run.outcome("answers", "hybrid") == FAIL
    assert "answers at address 10" in run.evidence("answers", "hybrid")
    assert run.outcome("sign", "grid") == FAIL
    assert run.outcome("identity", "hybrid") == NOT_TESTED


def test_a_planned_device_that_is_silent_is_told_and_the_line_is_not_blamed_for_it() -> None:
    text = HEALTHY.replace("hybrid, link: bus, address: 10", "hybrid, link: bus, address: 11")
    run = Run(plan_of(text), quick(Group.FIND, Group.LINE))
    assert run.outcome("answers", "hybrid") == FAIL
    assert {key for key in run.job.findings if key[1] is not None} == {("device-silent", 11)}
    assert run.outcome("line-health", "bus") == PASS
    assert_reads_only(run)


@pytest.mark.parametrize("address", [2, 3])
def test_two_meters_on_one_address_are_told_and_nothing_is_read_into_them(address: int) -> None:
    plan = plan_of(
        f"""
format: 1
site: {{name: Boiler house}}
links: [{{name: bus, link: "sim:both-on-one-address", settings: 9600 8N1}}]
meters:
  - {{name: grid, link: bus, address: 1, model: TF 30, serial: TF30-118204, role: grid}}
  - {{name: boiler, link: bus, address: {address}, model: TF 30, serial: TF30-120977,
      role: consumption, feeds: load}}
"""
    )
    run = Run(plan, quick(*Group, watch_s=10.0, load=KnownLoad(2000.0)))
    assert run.outcome("alone", "grid") == FAIL
    assert "duplicate-address" in run.whole.done["alone", "grid"].finding_codes
    assert run.outcome("answers", "boiler") == FAIL
    assert "address 1" in run.evidence("answers", "boiler")
    for name in ("identity", "serial", "readings", "wiring"):
        assert run.outcome(name, "grid") == NOT_TESTED, name
        assert "either" in run.evidence(name, "grid")
    assert run.outcome("house-load", "Boiler house") == NOT_TESTED
    assert_reads_only(run)


@pytest.mark.parametrize(
    ("scenario", "address", "sound", "alone"),
    [("late-answers", 10, 1, PASS), ("three-on-one-address", 1, 4, FAIL)],
)
def test_a_planned_device_is_waited_for_and_pieces_are_heard(
    scenario: str, address: int, sound: int, alone: str
) -> None:
    plan = plan_of(
        f"""
format: 1
site: {{name: Slow}}
links: [{{name: bus, link: "sim:{scenario}", settings: 9600 8N1}}]
meters:
  - {{name: sound, link: bus, address: {sound}}}
  - {{name: hard to hear, link: bus, address: {address}}}
"""
    )
    run = Run(plan, quick(Group.FIND, Group.DUPLICATES))
    assert run.outcome("answers", "hard to hear") == PASS
    assert run.outcome("alone", "hard to hear") == alone
    assert run.outcome("alone", "sound") == PASS


def test_a_meter_with_other_settings_is_found_and_fails() -> None:
    plan = plan_of(
        """
format: 1
site: {name: Stable}
links: [{name: bus, link: "sim:silent-meter", settings: 9600 8N1}]
meters:
  - {name: grid, link: bus, address: 1, role: grid}
  - {name: stable, link: bus, address: 2, serial: "700412", role: consumption, feeds: load}
"""
    )
    run = Run(plan, VerifyOptions(FIRST))
    assert run.outcome("answers", "grid") == PASS
    assert run.outcome("answers", "stable") == FAIL
    assert run.whole.done["answers", "stable"].found == "answers at 19200 8E1"
    assert run.outcome("line-settings", "bus") == FAIL
    # It is asked at its own settings, so that it can be told what it is.
    assert run.outcome("serial", "stable") == PASS
    assert run.outcome("alone", "stable") == PASS


def test_a_reversed_ct_fails_the_wiring_and_its_power_is_not_believed() -> None:
    plan = plan_of(
        """
format: 1
site: {name: Mill}
links: [{name: bus, link: "sim:reversed-ct", settings: 9600 8N1}]
meters: [{name: grid, link: bus, address: 1, role: grid}]
limits: {export_kw: 5}
"""
    )
    options = quick(Group.FIND, Group.WIRING, Group.BALANCE, load=KnownLoad(2000.0), watch_s=10.0)
    run = Run(plan, options)
    assert run.outcome("wiring", "grid") == FAIL
    assert run.whole.done["wiring", "grid"].finding_codes == ("ct-reversed",)
    assert run.outcome("house-load", "Mill") == NOT_TESTED
    assert "wiring is wrong" in run.evidence("house-load", "Mill")
    assert_reads_only(run)


def test_without_a_load_the_wiring_is_not_tested_and_says_so() -> None:
    run = Run(plan_of(HEALTHY), quick(Group.FIND, Group.WIRING))
    assert run.outcome("wiring", "grid") == NOT_TESTED
    assert "--load" in run.evidence("wiring", "grid")


@pytest.mark.parametrize("watch_s", [40.0, 120.0])
def test_a_generator_meter_that_counts_the_wrong_way_is_told_once(watch_s: float) -> None:
    plan = plan_of(GENERATOR)
    run = Run(plan, quick(Group.FIND, Group.BALANCE, watch_s=watch_s))
    assert [f.code for f in run.bus.truth.faults] == ["ct-reversed"]
    for name, subject in (
        ("role", "gen meter"),
        ("house-load", "Wood gas"),
        ("balance", "Wood gas"),
    ):
        assert run.outcome(name, subject) == FAIL
        # One cause is told once, by the check that knows most of it.
        assert run.whole.done[name, subject].finding_codes == ("balance-meter-reversed",)
    told = {key for key, f in run.job.findings.items() if f.severity is not Severity.NOTE}
    assert told == {("balance-meter-reversed", 2)}
    # The generator hardly moves: whether the grid meter follows it stays open.
    assert run.outcome("follows", "set") == NOT_TESTED
    assert_reads_only(run)


def test_a_short_look_tells_the_contradiction_without_its_cause() -> None:
    plan = plan_of(GENERATOR)
    run = Run(plan, quick(Group.FIND, Group.BALANCE, watch_s=3.0))
    assert run.outcome("balance", "Wood gas") == NOT_TESTED
    assert run.outcome("house-load", "Wood gas") == NOT_TESTED


@pytest.mark.parametrize(
    ("hour", "outcome"), [(0.5, FAIL), (12.5, FAIL), (18.0, NOT_TESTED), (None, NOT_TESTED)]
)
def test_a_meter_of_panels_is_held_against_the_sun(hour: float | None, outcome: str) -> None:
    # A wood gas set whose meter counts the wrong way, planned as panels: it seems to draw power,
    # which panels do neither at night nor at noon.
    plan = plan_of(GENERATOR.replace("chp", "pv"))
    local = None if hour is None else lambda: hour
    options = quick(Group.FIND, Group.BALANCE, watch_s=12.0, local_hour=local)
    run = Run(plan, options)
    assert run.outcome("daily-pattern", "gen meter") == outcome


def test_another_master_stops_everything_on_the_line() -> None:
    plan = plan_of(
        """
format: 1
site: {name: Polled}
links: [{name: bus, link: "sim:foreign-master", settings: 9600 8N1}]
meters: [{name: grid, link: bus, address: 1, role: grid}]
"""
    )
    run = Run(plan)
    assert run.outcome("other-master", "bus") == FAIL
    on_line = {i.key for i in run.whole.items if i.link == "bus"}
    rest = {k for k in on_line if run.outcome(*k) == NOT_TESTED}
    assert rest == on_line - {("other-master", "bus")}
    assert run.requests == []


def test_a_stopped_run_goes_on_where_it_was() -> None:
    plan, options = plan_of(HEALTHY), VerifyOptions(FIRST)
    whole = Run(plan, options)
    first = Run(plan, options, stop_after=12)
    assert not first.whole.complete
    made_before = {c.name for c in first.made}
    assert "answers" in made_before
    assert first.outcome("alone", "grid") == PASS
    second = Run(plan, options, before=first.whole)
    # What was found and proved is not asked again.
    assert {c.name for c in second.made} <= {"alone", "identity", "serial", "phases"}
    assert len(second.requests) < len(whole.requests) / 2
    verdicts = {(c.name, c.subject): c.outcome for c in whole.whole.checks}
    assert {(c.name, c.subject): c.outcome for c in second.whole.checks} == verdicts


def test_what_was_not_tested_is_tried_again() -> None:
    plan = plan_of(
        """
format: 1
site: {name: Orchard}
links: [{name: bus, link: "sim:healthy", settings: 9600 8N1}]
meters: [{name: workshop, link: bus, address: 2}]
"""
    )
    first = Run(plan, quick(Group.FIND, Group.WIRING))
    assert first.outcome("wiring", "workshop") == NOT_TESTED
    second = Run(plan, quick(Group.WIRING, load=KnownLoad(2000.0)), before=first.whole)
    assert second.outcome("wiring", "workshop") == PASS


def test_the_example_plan_tells_what_is_wrong_at_the_demo_site() -> None:
    plan = plan_of(EXAMPLE.read_text(encoding="utf-8"))
    run = Run(plan, VerifyOptions(FIRST | {Group.COUPLING}))
    failed = {(c.name, c.subject) for c in run.whole.checks if c.outcome is CheckOutcome.FAIL}
    assert failed == {("alone", "grid meter"), ("answers", "water wheel meter")}
    assert {t.code for t in run.bus.truth.faults} >= {"duplicate-address"}
    assert_reads_only(run)
