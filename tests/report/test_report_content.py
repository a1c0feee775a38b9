"""What a report concludes, and what it must not."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from busprobe.diagnosis.wiring import WiringDiagnosis, WiringVerdict
from busprobe.model.check import Check, CheckOutcome
from busprobe.model.device import Device
from busprobe.model.errors import InputError
from busprobe.model.finding import Evidence
from busprobe.recording.store import Recorder
from busprobe.report.checks import counted
from busprobe.report.content import Report, report_json, report_schema
from busprobe.report.details import TEMPLATE, Details, load_details
from busprobe.report.health import percentile
from busprobe.report.render import HtmlRenderer
from busprobe.report.wiring_evidence import DERIVED, RECORDED
from busprobe.site.state import StateFile, VisitPart, save_state
from tests.report.visits import (
    DOUBLE,
    METER,
    NOW,
    REVERSED,
    RIGHT,
    STARTED,
    S,
    changed_visit,
    collided,
    looked_for_a_second_one,
    recording,
    report,
    snapshots,
    wired,
)

OPEN, GONE = "open", "not found again"


@pytest.fixture(scope="module")
def demo_wiring(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return wired(tmp_path_factory.mktemp("demo") / "wiring.busprobe")


def outcomes(made: Report) -> dict[tuple[str, str], str]:
    return {(c.name, c.subject): c.final.outcome for c in made.checks}


def test_the_demo_wiring_is_told_with_steps_and_phasors(demo_wiring: Path) -> None:
    made = report(demo_wiring)
    assert made.conclusion.result == "FAIL"
    (wiring,) = made.wiring
    assert (wiring.address, wiring.verdict) == (2, "fault")
    best = wiring.explanations[0]
    assert [c.direction for c in best.cts] == ["forward", "reversed", "forward"]
    # The truth of the scenario: 2 kW on L2 is seen with the wrong sign.
    on_l2 = [s for s in wiring.steps if s.conductor == "L2"]
    assert on_l2
    assert all(-2200 < s.dp_w[1] < -1700 for s in on_l2)
    assert wiring.phasors is not None
    now = {p.name: p.angle_deg for p in wiring.phasors.currents}
    right = {p.name: p for p in wiring.phasors.right_currents}
    assert (right["L2"].angle_deg - now["L2"]) % 360 == pytest.approx(180, abs=0.2)
    assert [right[p].changed for p in ("L1", "L2", "L3")] == [False, True, False]
    assert wiring.trend is not None
    assert len(wiring.trend.marks) == len(wiring.steps)
    (defect,) = made.defects
    assert (defect.code, defect.state) == ("ct-reversed", OPEN)
    assert defect.caution


def test_a_verdict_is_derived_again_where_none_is_recorded(tmp_path: Path) -> None:
    path = recording(
        tmp_path / "a.busprobe", also=lambda recorder: snapshots(recorder, reversed_l2=True)
    )
    (wiring,) = report(path).wiring
    assert wiring.rests_on.startswith(DERIVED)
    assert wiring.verdict == "fault"
    assert wiring.explanations[0].cts[1].direction == "reversed"


def test_a_recorded_verdict_is_not_judged_anew(tmp_path: Path) -> None:
    told = WiringDiagnosis(
        WiringVerdict.UNDECIDED, 0.4, (), "unknown", ("Anything.",), "Watch longer.", ()
    )

    def also(recorder: Recorder) -> None:
        snapshots(recorder, reversed_l2=True)
        recorder.event(92 * S, "WiringSeen", {"address": 2, "diagnosis": asdict(told)})

    made = report(recording(tmp_path / "a.busprobe", also=also))
    (wiring,) = made.wiring
    assert (wiring.verdict, wiring.probability, wiring.rests_on) == ("undecided", 0.4, RECORDED)
    assert outcomes(made)["wiring", "Nixenfurt NF 3F at address 2"] == "NOT TESTED"


def test_without_a_plan_nothing_passes_that_was_not_tested(tmp_path: Path) -> None:
    made = report(recording(tmp_path / "a.busprobe"))
    assert made.conclusion.result == "INCOMPLETE"
    subject = "Nixenfurt NF 3F at address 2"
    assert outcomes(made) == {
        ("identity", subject): "PASS",
        ("alone", subject): "PASS",
        ("wiring", subject): "NOT TESTED",
        ("readings", subject): "NOT TESTED",
    }
    assert any("no wiring test was recorded" in line for line in made.not_tested)


def test_a_device_that_says_nothing_of_itself_is_not_passed(tmp_path: Path) -> None:
    made = report(recording(tmp_path / "a.busprobe", devices=(Device(9),)))
    assert set(outcomes(made).values()) == {"NOT TESTED"}


def test_an_open_fault_fails_the_report_even_if_every_check_passes(tmp_path: Path) -> None:
    state = verified(tmp_path, found=[check("PASS")])
    made = report(recording(tmp_path / "a.busprobe", findings=(REVERSED,)), verification=state)
    assert (made.conclusion.failed, made.conclusion.result) == (0, "FAIL")


def test_a_defect_is_not_closed_by_a_recording_that_did_not_look_again(tmp_path: Path) -> None:
    found = recording(tmp_path / "found.busprobe", findings=(REVERSED, DOUBLE))
    left = recording(tmp_path / "left.busprobe", started=NOW)
    made = report(found, left=[left])
    assert {d.code: d.state for d in made.defects} == {
        "ct-reversed": OPEN,
        "duplicate-address": OPEN,
    }
    assert made.conclusion.result == "FAIL"


def test_a_defect_is_closed_by_the_same_test_as_left(tmp_path: Path) -> None:
    found = recording(
        tmp_path / "found.busprobe",
        devices=(METER, Device(5, duplicate="duplicate")),
        findings=(REVERSED, DOUBLE),
    )
    left = recording(
        tmp_path / "left.busprobe",
        devices=(METER, replace(METER, address=5, duplicate="single")),
        findings=(RIGHT,),
        also=snapshots,
        started=NOW,
    )
    made = report(found, left=[left])
    assert {d.code: d.state for d in made.defects} == {
        "ct-reversed": GONE,
        "duplicate-address": GONE,
    }
    assert outcomes(made)["alone", "Nixenfurt NF 3F at address 5"] == "PASS"
    assert made.conclusion.state == "as-left"


def test_a_test_as_left_that_was_broken_off_closes_nothing(tmp_path: Path) -> None:
    found = recording(tmp_path / "found.busprobe", findings=(REVERSED,))
    left = recording(tmp_path / "left.busprobe", also=snapshots, started=NOW)
    made = report(found, left=[left])
    assert made.wiring[0].verdict == "correct"
    assert "did not come to an end" in made.wiring[0].rests_on
    assert made.defects[0].state == OPEN
    assert outcomes(made)["wiring", "Nixenfurt NF 3F at address 2"] == "NOT TESTED"


def test_a_verdict_derived_again_does_not_overrule_the_visit(tmp_path: Path) -> None:
    undecided = replace(RIGHT, code="wiring-undecided", summary="not decided yet")
    path = recording(tmp_path / "a.busprobe", findings=(undecided,), also=snapshots)
    made = report(path)
    assert made.wiring[0].verdict == "correct"
    assert "ended with: undecided" in made.wiring[0].rests_on
    assert outcomes(made)["wiring", "Nixenfurt NF 3F at address 2"] == "NOT TESTED"


def test_a_wiring_that_was_proven_right_passes(tmp_path: Path) -> None:
    made = report(recording(tmp_path / "a.busprobe", findings=(RIGHT,), also=snapshots))
    assert outcomes(made)["wiring", "Nixenfurt NF 3F at address 2"] == "PASS"
    assert made.wiring[0].rests_on == DERIVED


def test_an_undecided_test_as_left_closes_nothing(tmp_path: Path) -> None:
    told = WiringDiagnosis(WiringVerdict.UNDECIDED, 0.4, (), "unknown", (), None, ())

    def also(recorder: Recorder) -> None:
        snapshots(recorder)
        recorder.event(92 * S, "WiringSeen", {"address": 2, "diagnosis": asdict(told)})

    found = recording(tmp_path / "found.busprobe", findings=(REVERSED,))
    left = recording(tmp_path / "left.busprobe", also=also, started=NOW)
    assert report(found, left=[left]).defects[0].state == OPEN


def test_a_finding_that_was_withdrawn_is_not_reported(tmp_path: Path) -> None:
    cleared = {"code": REVERSED.code, "address": REVERSED.address}

    def withdrawn(recorder: Recorder) -> None:
        recorder.event(6 * S, "FindingCleared", cleared)

    def raised_again(recorder: Recorder) -> None:
        withdrawn(recorder)
        recorder.finding(6 * S, REVERSED)

    gone = report(recording(tmp_path / "a.busprobe", findings=(REVERSED,), also=withdrawn))
    again = report(recording(tmp_path / "b.busprobe", findings=(REVERSED,), also=raised_again))
    assert gone.defects == ()
    assert [d.code for d in again.defects] == ["ct-reversed"]


def test_a_recording_that_did_not_look_takes_no_verdict_back(tmp_path: Path) -> None:
    found = recording(tmp_path / "found.busprobe")
    later = recording(
        tmp_path / "later.busprobe",
        devices=(replace(METER, duplicate="undecided"),),
        started=NOW,
    )
    subject = "Nixenfurt NF 3F at address 2"
    assert outcomes(report(found, later))["alone", subject] == "PASS"
    doubt = replace(DOUBLE, code="duplicate-undecided", address=2)
    looked = recording(
        tmp_path / "looked.busprobe",
        devices=(replace(METER, duplicate="undecided"),),
        findings=(doubt,),
        started=NOW,
    )
    assert outcomes(report(found, looked))["alone", subject] == "NOT TESTED"


@pytest.mark.parametrize(
    ("cause", "shown"),
    [
        ("They are the devices with the serial numbers 700412 and F-1.5.", ["S/N F-1.5"]),
        ("... with the serial numbers A, B and 700412. So.", ["serial number not read"]),
        ("They are the devices with the serial numbers A, B and 700412. So.", ["S/N A", "S/N B"]),
        ("They are the devices with the serial numbers A-1 and B-2.", ["serial number not read"]),
        ("One of them has the serial number 700412.", ["serial number not read"]),
    ],
)
def test_the_second_device_is_named_where_the_finding_names_both(
    cause: str, shown: list[str], tmp_path: Path
) -> None:
    path = recording(
        tmp_path / "a.busprobe",
        devices=(replace(METER, duplicate="duplicate"),),
        findings=(replace(DOUBLE, address=2, cause=cause),),
    )
    picture = report(path).system.picture
    assert picture is not None
    assert [u.subtitle for u in picture.drops[0].units] == ["S/N 700412", *shown]


def test_a_changed_address_is_told_by_the_serial_number(tmp_path: Path) -> None:
    found = recording(tmp_path / "found.busprobe")
    moved = replace(METER, address=3)
    left = recording(tmp_path / "left.busprobe", devices=(moved,), started=NOW)
    (change,) = report(found, left=[left]).system.changes
    assert (change.setting, change.before, change.after) == ("address", "2", "3")


def test_two_on_one_address_are_drawn_from_the_recorded_bytes(tmp_path: Path) -> None:
    made = report(collided(tmp_path / "sweep.busprobe"))
    picture = made.health.collision
    assert picture is not None
    assert picture.address == 5
    kinds = [s.kind for s in picture.speeches]
    assert kinds[0] == "request"
    assert kinds.count("answer") == 2
    # 8 characters of 10 bits at 9600 Bd (Modbus over Serial Line V1.02, section 2.5.1).
    assert picture.speeches[0].end_ms == pytest.approx(8 * 10 / 9.6, abs=0.01)
    first, second = (s for s in picture.speeches if s.kind == "answer")
    # Turn-arounds of 20 and 30.5 ms after the end of the request.
    assert first.start_ms == pytest.approx(8.33 + 20.0, abs=1.5)
    assert second.start_ms == pytest.approx(8.33 + 30.5, abs=1.5)
    assert made.system.picture is not None
    double = {d.address: d for d in made.system.picture.drops}[5]
    assert len(double.units) == 2
    health = {d.address: d for d in made.health.devices}
    assert health[5].crowded > 0
    assert health[3].crowded == 0
    assert health[3].answered == health[3].requests > 0
    assert health[3].turnaround_median_ms == pytest.approx(20.0, abs=1.5)


def check(outcome: str, name: str = "alone", codes: tuple[str, ...] = ()) -> Check:
    return Check(
        name, "grid meter", "Is alone at its address", "one device", "found",
        CheckOutcome(outcome), "", (Evidence(3, "seen"),), codes,
    )  # fmt: skip


def verified(
    folder: Path, found: list[Check], left: list[Check] | None = None, *, complete: bool = True
) -> Path:
    def visit(checks: list[Check]) -> VisitPart:
        return VisitPart(
            started=STARTED.isoformat(),
            changed=NOW.isoformat(),
            complete=complete,
            checks=tuple(checks),
            findings=(DOUBLE,) if any(c.outcome is CheckOutcome.FAIL for c in checks) else (),
        )

    path = folder / "state.json"
    save_state(
        path,
        StateFile(
            plan_file="/somewhere/mill-lane.plan.yaml",
            plan_sha256="ab" * 32,
            site="Mill Lane",
            as_found=visit(found),
            as_left=None if left is None else visit(left),
        ),
    )
    return path


def test_requests_at_rates_that_are_a_little_off_do_not_count_for_health(tmp_path: Path) -> None:
    made = report(looked_for_a_second_one(tmp_path / "alone.busprobe"))
    health = {d.address: d for d in made.health.devices}[3]
    assert health.answered + health.exceptions == health.requests > 4
    assert health.silent == 0


def test_a_verification_speaks_before_the_recordings(tmp_path: Path) -> None:
    state = verified(
        tmp_path,
        found=[check("FAIL", codes=(DOUBLE.code,)), check("NOT TESTED", "wiring")],
        left=[check("PASS"), check("PASS", "wiring")],
    )
    made = report(verification=state)
    (first, _) = made.checks
    assert first.as_found is not None
    assert first.as_left is not None
    assert (first.as_found.outcome, first.as_left.outcome) == ("FAIL", "PASS")
    assert made.conclusion.result == "PASS"
    assert {d.code: d.state for d in made.defects} == {"duplicate-address": GONE}
    assert made.site.name == "Mill Lane"
    plan = next(s for s in made.sources if s.kind == "plan")
    assert (plan.file, plan.sha256) == ("mill-lane.plan.yaml", "ab" * 32)


def test_a_verification_that_failed_again_keeps_its_defect(tmp_path: Path) -> None:
    failed = check("FAIL", codes=(DOUBLE.code,))
    made = report(verification=verified(tmp_path, found=[failed], left=[failed]))
    assert made.conclusion.result == "FAIL"
    assert made.defects[0].state == OPEN


def test_an_unfinished_verification_says_so(tmp_path: Path) -> None:
    made = report(verification=verified(tmp_path, found=[check("PASS")], complete=False))
    assert "not finished" in made.checks_rest_on


def test_hashes_are_those_of_the_files(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.busprobe")
    details = tmp_path / "details.yaml"
    details.write_text(TEMPLATE, encoding="utf-8")
    made = report(path, details=details)
    assert {s.file: s.sha256 for s in made.sources} == {
        file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in (path, details)
    }


def test_a_recording_that_is_still_written_is_read_and_its_hash_explained(tmp_path: Path) -> None:
    made: list[Report] = []

    def also(recorder: Recorder) -> None:
        snapshots(recorder)
        assert recorder.flush()
        made.append(report(recorder.path))

    path = recording(tmp_path / "a.busprobe", also=also)
    (open_,) = made[0].sources
    (closed,) = report(path).sources
    assert "still being written" in open_.note
    assert made[0].wiring
    assert closed.note == ""
    assert closed.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_same_files_give_the_same_report(tmp_path: Path) -> None:
    path = collided(tmp_path / "a.busprobe")
    first, second = report_json(report(path)), report_json(report(path))
    assert first == second
    document = json.loads(first)
    assert list(document) == sorted(document)
    assert document["head"]["id"].startswith("R-")


def test_the_data_keep_to_the_published_schema(tmp_path: Path, demo_wiring: Path) -> None:
    schema = report_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    for made in (
        report(collided(tmp_path / "a.busprobe")),
        report(demo_wiring),
        report(verification=verified(tmp_path, found=[check("FAIL")])),
    ):
        jsonschema.validate(json.loads(report_json(made)), schema)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate({"schema": "busprobe-report/1"}, schema)


def test_reference_readings_are_judged_by_their_limit_alone(tmp_path: Path) -> None:
    details = tmp_path / "details.yaml"
    details.write_text(
        "references:\n"
        "  - {address: 2, quantity: V_L1, value: 230.0, limit_percent: 1}\n"
        "  - {address: 2, quantity: V_L2, value: 200.0, limit_percent: 1}\n"
        "  - {address: 2, quantity: V_L3, value: 200.0}\n"
        "  - {address: 7, quantity: V_L3, value: 230.0, limit_percent: 1}\n"
        "  - {address: 2, quantity: P_L1, value: 0.0, limit_percent: 1}\n",
        encoding="utf-8",
    )
    made = report(recording(tmp_path / "a.busprobe", also=snapshots), details=details)
    assert [r.outcome for r in made.references] == [
        "PASS", "FAIL", "NOT APPLICABLE", "NOT TESTED", "NOT TESTED",
    ]  # fmt: skip
    assert made.references[1].deviation_percent == pytest.approx(15.0)


def test_power_flows_are_drawn_where_roles_and_signs_are_known(tmp_path: Path) -> None:
    def also(recorder: Recorder) -> None:
        from busprobe.model.reading import Snapshot

        recorder.snapshot(Snapshot(20 * S, 1, {"P": -700.0}))
        recorder.snapshot(Snapshot(21 * S, 3, {"P": 3300.0}))

    path = recording(tmp_path / "a.busprobe", also=also)
    details = tmp_path / "details.yaml"
    text = (
        "meters:\n"
        "  - {{address: 1, name: grid meter, role: grid, positive: import}}\n"
        "  - {{address: 3, name: water wheel, role: generation{}}}\n"
    )
    details.write_text(text.format(", positive: export"), encoding="utf-8")
    balance = report(path, details=details).balance
    assert balance is not None
    flows = {n.name: n.power_w for n in balance.picture.nodes}
    # 3300 W generated, 700 W of them exported: the house draws the rest.
    assert flows == {"grid meter": -700.0, "water wheel": -3300.0, "house": 2600.0}
    details.write_text(text.format(""), encoding="utf-8")
    unsure = report(path, details=details).balance
    assert unsure is not None
    assert {n.name: n.power_w for n in unsure.picture.nodes}["house"] is None


def test_a_recording_given_twice_is_refused(tmp_path: Path) -> None:
    path = recording(tmp_path / "a.busprobe")
    with pytest.raises(InputError, match="same recording"):
        report(path, left=[path])
    with pytest.raises(InputError, match="needs a recording"):
        report()


def test_the_template_of_the_details_is_valid_and_empty_details_are_too(tmp_path: Path) -> None:
    path = tmp_path / "details.yaml"
    path.write_text(TEMPLATE, encoding="utf-8")
    assert load_details(path).format == 1
    assert Details().report.revision == "1"


def test_mistakes_in_the_details_name_line_and_column(tmp_path: Path) -> None:
    path = tmp_path / "details.yaml"
    path.write_text("site:\n  naem: Mill Lane\nreferences:\n  - {address: 300}\n", "utf-8")
    with pytest.raises(InputError) as caught:
        load_details(path)
    assert f"{path}:2:3: site.naem" in caught.value.cause
    assert f"{path}:4:15: references.0.address" in caught.value.cause


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60), st.floats(0.0, 1.0))
def test_percentiles_agree_with_numpy(values: list[float], share: float) -> None:
    # numpy: "inverted_cdf" is the nearest-rank definition.
    theirs = np.quantile(values, share, method="inverted_cdf")
    assert percentile(values, share) == theirs


def test_counts_add_up(tmp_path: Path) -> None:
    made = report(collided(tmp_path / "a.busprobe"))
    assert sum(counted(made.checks).values()) == len(made.checks)
    end = made.conclusion
    total = end.passed + end.failed + end.not_tested + end.not_applicable
    assert total == len(made.checks)


def test_changes_that_were_made_are_told_with_time_places_and_who_confirmed(
    tmp_path: Path,
) -> None:
    path = tmp_path / "change.busprobe"
    changed_visit(path, "healthy", 2, 7)
    made = report(path)
    (change,) = made.system.made
    assert change.device == "Nixenfurt NF 3F"
    assert change.serial == "700412"
    assert change.before == "address 2, 9600 8N1"
    assert change.after == "address 7, 9600 8N1"
    assert change.state == "changed"
    assert change.confirmed_by == "the technician"
    assert datetime.fromisoformat(change.time).tzinfo is not None
    assert [w.partition(": ")[2] for w in change.writes] == [
        "register 2000 := 6789, unlocks the settings (answered)",
        "register 2001 := 7, its new address (answered)",
        "register 2010 := 1, saves the settings (answered)",
    ]
    assert [d.address for d in made.system.as_found] == [7]
    page = HtmlRenderer().render(made).decode()
    assert "Changes that were written" in page
    assert "confirmed by <bdi>the technician</bdi>" in page


def test_a_change_that_was_refused_is_no_change(tmp_path: Path) -> None:
    path = tmp_path / "refused.busprobe"
    with pytest.raises(InputError, match="already"):
        changed_visit(path, "healthy", 2, 10)
    assert report(path).system.made == ()


def test_damaged_changes_in_a_recording_are_left_out(tmp_path: Path) -> None:
    path = recording(tmp_path / "odd.busprobe")
    with closing(sqlite3.connect(path)) as connection, connection:
        for body in ('{"state": "changed"}', '{"state": "changed", "writes": [1]}', "{}"):
            connection.execute("INSERT INTO event VALUES (NULL, 5, 'ChangeEnded', ?)", (body,))
    assert report(path).system.made == ()
