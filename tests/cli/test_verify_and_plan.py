"""`busprobe plan` and `busprobe verify` as people and other programs call them."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from ruamel.yaml import YAML

from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator
from busprobe.model.errors import LinkError
from busprobe.model.line import Endpoint, LineSettings
from busprobe.session.ports import OpenedLink
from busprobe.site.plan import load_plan
from busprobe.site.state import load_state

PLAN = """\
format: 1
site: {name: Orchard}
links:
  - {name: bus, link: "sim:healthy", settings: 9600 8N1}
meters:
  - {name: grid, link: bus, address: 1, model: TF 30, serial: TF30-118204, role: grid}
  - {name: workshop, link: bus, address: 2, model: NF 3F, role: sub-meter, behind: grid}
inverter: {name: hybrid, link: bus, address: 10, model: Hybrid 8}
"""
FAST = ("--quick", "--only", "find,identity")


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str

    @property
    def document(self) -> dict[str, Any]:
        document = json.loads(self.out)
        jsonschema.validate(document, json_schema("verify"))
        assert document["schema"] == "busprobe/1"
        assert document["command"] == "verify"
        return document

    def outcomes(self) -> dict[tuple[str, str], str]:
        return {(c["name"], c["subject"]): c["outcome"] for c in self.document["result"]["checks"]}


async def open_any(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
    return await link_opener(pace="virtual")(endpoint, settings)


def busprobe(*arguments: str | Path, opener: Any = open_any) -> Ran:
    outside = Outside(opener, run_terminal, simulator, simulation_server)
    result = CliRunner().invoke(application, [str(a) for a in arguments], obj=outside)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    file = tmp_path / "orchard.yaml"
    file.write_text(PLAN, encoding="utf-8")
    return file


def test_a_site_as_planned_ends_with_0(plan: Path) -> None:
    ran = busprobe("verify", plan, *FAST, "--json")
    assert ran.status == 0
    document = ran.document
    assert document["link"]["argument"] == "sim:healthy"
    assert document["exchanges"] > 0
    result = document["result"]
    assert result["plan"] == {
        "file": str(plan),
        "sha256": load_plan(plan).sha256,
        "site": "Orchard",
    }
    assert result["state"] == "as-found"
    # Only some checks were asked for.
    assert result["complete"] is False
    outcomes = ran.outcomes()
    assert outcomes["answers", "grid"] == "PASS"
    assert outcomes["serial", "grid"] == "PASS"
    assert outcomes["serial", "workshop"] == "NOT APPLICABLE"
    assert ("wiring", "grid") not in outcomes


def test_words_for_people(plan: Path) -> None:
    ran = busprobe("verify", plan, *FAST)
    assert ran.status == 0
    assert "✔ PASS" in ran.out
    assert "Has the planned serial number" in ran.out
    assert "Nothing is written" in ran.err


def test_a_site_not_as_planned_ends_with_1(plan: Path) -> None:
    plan.write_text(PLAN.replace("TF30-118204", "TF30-1"), encoding="utf-8")
    ran = busprobe("verify", plan, *FAST, "--json")
    assert ran.status == 1
    (failed,) = [c for c in ran.document["result"]["checks"] if c["outcome"] == "FAIL"]
    assert (failed["name"], failed["planned"], failed["found"]) == (
        "serial",
        "TF30-1",
        "TF30-118204",
    )
    assert failed["evidence"]


def test_a_wrong_plan_ends_with_2_and_names_line_and_column(plan: Path) -> None:
    plan.write_text(PLAN.replace("address: 2", "address: 1"), encoding="utf-8")
    ran = busprobe("verify", plan, "--json")
    assert ran.status == 2
    assert f"{plan}:7:42: meters.1.address: address 1 on 'bus' is already 'grid'" in ran.err
    assert set(json.loads(ran.out)) == {"schema", "command", "version", "error", "next_step"}


def test_advice_is_told_on_standard_error(plan: Path) -> None:
    plan.write_text(PLAN.replace("role: grid}", "note: role is open}"), encoding="utf-8")
    ran = busprobe("verify", plan, *FAST)
    assert f"advice: {plan}:6:5: meters.0: has no 'role' yet" in ran.err


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--only", "find,nothing"), "'nothing'"),
        (("--link", "other=sim:demo"), "no line 'other'"),
        (("--link", "udp://x"), "udp"),
    ],
)
def test_a_wrong_call_ends_with_2(plan: Path, options: tuple[str, ...], words: str) -> None:
    ran = busprobe("verify", plan, *options)
    assert ran.status == 2
    assert words in ran.err


def test_a_profile_that_is_not_there_is_told(plan: Path) -> None:
    plan.write_text(PLAN.replace("model: NF 3F", "profile: elfmoor-ef36"), encoding="utf-8")
    ran = busprobe("verify", plan, *FAST)
    assert ran.status == 2
    assert "elfmoor-ef63" in ran.err


def test_a_link_that_cannot_be_opened_ends_with_3_and_a_document(plan: Path) -> None:
    ran = busprobe("verify", plan, "--link", "/dev/does-not-exist", "--json")
    assert ran.status == 3
    assert "does-not-exist" in ran.err
    result = ran.document["result"]
    assert result["complete"] is False
    assert {c["outcome"] for c in result["checks"] if c["subject"] == "grid"} == {"NOT TESTED"}


def test_one_line_that_is_lost_does_not_end_the_others(tmp_path: Path) -> None:
    file = tmp_path / "two.yaml"
    second = '  - {name: far, link: "sim:reversed-ct", settings: 9600 8N1}\nmeters:\n'
    far = "  - {name: barn, link: far, address: 1, role: sub-meter, behind: grid}\ninverter"
    text = PLAN.replace("meters:\n", second).replace("inverter", far)
    file.write_text(text, encoding="utf-8")

    async def open_some(endpoint: Endpoint, settings: LineSettings | None) -> OpenedLink:
        if endpoint.target == "healthy":
            raise LinkError("The adapter was pulled out.", "Plug it in.")
        return await open_any(endpoint, settings)

    ran = busprobe("verify", file, *FAST, "--json", opener=open_some)
    assert ran.status == 3
    assert ran.document["link"] is None
    assert ran.outcomes()["answers", "grid"] == "NOT TESTED"
    assert ran.outcomes()["answers", "barn"] == "PASS"


def test_a_run_goes_on_from_its_state(plan: Path, tmp_path: Path) -> None:
    state = tmp_path / "s.json"
    first = busprobe("verify", plan, "--quick", "--only", "find", "--state", state, "--json")
    assert {c for c, _ in first.outcomes()} == {
        "other-master",
        "line-settings",
        "unplanned-devices",
        "answers",
    }
    second = busprobe("verify", plan, *FAST, "--state", state, "--json")
    assert second.status == 0
    assert first.outcomes().items() <= second.outcomes().items()
    assert second.outcomes()["identity", "grid"] == "PASS"
    again = busprobe("verify", plan, "--only", "identity", "--state", state, "--json")
    # Everything is known: the line is left in peace.
    assert again.document["exchanges"] == 0
    assert again.outcomes() == second.outcomes()


def test_what_was_checked_survives_an_interruption(
    plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from busprobe.session.job import Job

    state = tmp_path / "s.json"
    known = Job.known

    async def interrupted(job: Job, address: int) -> Any:
        if address == 10:
            raise KeyboardInterrupt
        return await known(job, address)

    monkeypatch.setattr(Job, "known", interrupted)
    ran = busprobe("verify", plan, *FAST, "--state", state)
    assert ran.status == 130
    visit = load_state(state).as_found
    assert visit is not None
    assert not visit.complete
    kept = {(c.name, c.subject) for c in visit.checks}
    assert ("identity", "workshop") in kept
    assert ("identity", "hybrid") not in kept
    monkeypatch.undo()
    rest = busprobe("verify", plan, *FAST, "--state", state, "--json")
    assert rest.status == 0
    assert rest.outcomes()["identity", "hybrid"] == "PASS"


def test_as_found_and_as_left_are_both_kept(plan: Path, tmp_path: Path) -> None:
    state = tmp_path / "s.json"
    # The site is changed between the visits: another scenario stands in its place.
    found = busprobe("verify", plan, *FAST, "--state", state, "--link", "sim:reversed-ct", "--json")
    assert found.status == 1
    assert found.outcomes()["answers", "workshop"] == "FAIL"
    left = busprobe("verify", plan, *FAST, "--state", state, "--as-left", "--json")
    assert left.status == 0
    assert left.document["result"]["state"] == "as-left"
    kept = load_state(state)
    assert kept.as_found is not None
    assert kept.as_left is not None
    by_visit = [
        {(c.name, c.subject): c.outcome.value for c in visit.checks}["answers", "workshop"]
        for visit in (kept.as_found, kept.as_left)
    ]
    assert by_visit == ["FAIL", "PASS"]


def test_a_state_of_another_plan_ends_with_2(plan: Path, tmp_path: Path) -> None:
    state = tmp_path / "s.json"
    busprobe("verify", plan, *FAST, "--state", state)
    plan.write_text(PLAN + "# later\n", encoding="utf-8")
    ran = busprobe("verify", plan, *FAST, "--state", state)
    assert ran.status == 2
    assert "another version of the plan" in ran.err


def test_a_verification_can_be_recorded(plan: Path, tmp_path: Path) -> None:
    record = tmp_path / "visit.busprobe"
    assert busprobe("verify", plan, *FAST, "--record", record).status == 0
    assert record.exists()
    told = json.loads(busprobe("recording", record, "--json").out)
    assert told["result"]["exchanges"] > 0
    with contextlib.closing(sqlite3.connect(record)) as base:
        rows = base.execute("SELECT body FROM event WHERE kind = 'CheckMade'").fetchall()
    kept = {(c["name"], c["subject"]) for (text,) in rows for c in [json.loads(text)["check"]]}
    assert {("answers", "grid"), ("identity", "hybrid")} <= kept


# plan -----------------------------------------------------------------------------------------


def test_a_first_plan_fits_the_site_it_was_made_from(tmp_path: Path) -> None:
    file = tmp_path / "first.yaml"
    made = busprobe("plan", "sim:healthy", "--addresses", "1-10", "-o", file)
    assert made.status == 0
    assert made.out == ""
    loaded = load_plan(file)
    assert [m.serial for m in loaded.plan.meters] == ["TF30-118204", "700412"]
    assert loaded.plan.inverter is not None
    ran = busprobe("verify", file, *FAST, "--json")
    assert ran.status == 0
    assert "FAIL" not in ran.outcomes().values()
    assert ran.outcomes()["serial", "meter 1"] == "PASS"


def test_a_first_plan_of_a_shared_address_says_so() -> None:
    ran = busprobe("plan", "sim:both-on-one-address", "--addresses", "1-3")
    assert ran.status == 0
    assert "# More than one device answers at this address" in ran.out
    assert "address 2, the next free one" in ran.out


def test_a_first_plan_as_a_document_tells_what_is_still_open(tmp_path: Path) -> None:
    ran = busprobe("plan", "sim:reversed-ct", "--addresses", "1-3", "--json")
    assert ran.status == 0, ran.err
    document = json.loads(ran.out)
    jsonschema.validate(document, json_schema("plan"))
    result = document["result"]
    assert result["file"] is None
    plan = tmp_path / "first.plan.yaml"
    plan.write_text(result["text"], encoding="utf-8")
    loaded = load_plan(plan)
    assert [d["address"] for d in result["devices"]] == [m.address for m in loaded.plan.meters]
    assert [d["serial"] for d in result["devices"]] == [m.serial for m in loaded.plan.meters]
    assert result["mistakes"] == []
    # The rules say the same of the text as of a file.
    assert len(result["advice"]) == len(loaded.advice) > 0
    assert any("has no 'role' yet" in line for line in result["advice"])
    assert document["exchanges"] > 0


def test_a_first_plan_as_a_document_is_written_too(tmp_path: Path) -> None:
    file = tmp_path / "first.plan.yaml"
    ran = busprobe("plan", "sim:reversed-ct", "--addresses", "1", "-o", file, "--json")
    result = json.loads(ran.out)["result"]
    assert result["file"] == str(file)
    assert file.read_text(encoding="utf-8") == result["text"]


def test_a_plan_is_not_overwritten_without_force(tmp_path: Path) -> None:
    file = tmp_path / "first.yaml"
    file.write_text("mine", encoding="utf-8")
    ran = busprobe("plan", "sim:reversed-ct", "--addresses", "1", "-o", file)
    assert ran.status == 2
    assert file.read_text(encoding="utf-8") == "mine"
    forced = busprobe("plan", "sim:reversed-ct", "--addresses", "1", "-o", file, "--force")
    assert forced.status == 0
    assert load_plan(file).plan.meters[0].address == 1


def test_the_schema_of_a_plan_is_printed() -> None:
    ran = busprobe("schema", "plan")
    assert ran.status == 0
    schema = json.loads(ran.out)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert "links" in schema["required"]


def test_the_schema_of_a_device_profile_takes_the_shipped_ones() -> None:
    ran = busprobe("schema", "profile")
    assert ran.status == 0
    validator = jsonschema.Draft202012Validator(json.loads(ran.out))
    folder = Path(__file__).parents[2] / "device_profiles"
    files = sorted(folder.glob("*.yaml"))
    assert files
    for file in files:
        content = json.loads(json.dumps(YAML(typ="safe").load(file)))
        assert list(validator.iter_errors(content)) == [], file.name
    assert list(validator.iter_errors({"format": 1, "nmae": "x"}))
