"""`busprobe train` as a trainee and a trainer call it."""

from __future__ import annotations

import csv
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator, training
from busprobe_sim.training import exercise_names, seed_for


@dataclass(frozen=True)
class Ran:
    status: int
    out: str
    err: str


def busprobe(*arguments: str | Path) -> Ran:
    outside = Outside(
        link_opener(pace="virtual"), run_terminal, simulator, simulation_server, training
    )
    result = CliRunner().invoke(application, [str(a) for a in arguments], obj=outside)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return Ran(result.exit_code, result.stdout, result.stderr)


Train = Callable[..., Ran]


@pytest.fixture
def train(tmp_path: Path) -> Train:
    def call(*arguments: str | Path) -> Ran:
        return busprobe("train", *arguments, "--state", tmp_path / "state.json")

    return call


def result_of(ran: Ran) -> dict:
    document = json.loads(ran.out)
    jsonschema.validate(document, json_schema("train"))
    assert document["command"] == "train"
    result = document["result"]
    assert isinstance(result, dict)
    return result


def test_the_list_names_every_exercise_without_its_truth(train: Train) -> None:
    result = result_of(train("--list", "--json"))
    assert {e["name"] for e in result["exercises"]} == set(exercise_names())
    assert all(e["best"] is None for e in result["exercises"])
    ran = train("--list")
    assert ran.status == 0
    assert "clamps-everywhere" in ran.out


def test_an_exercise_is_begun_with_a_seed_that_is_kept(train: Train, tmp_path: Path) -> None:
    first = result_of(train("two-pairs", "--json"))["assignment"]
    second = result_of(train("two-pairs", "--json"))["assignment"]
    assert first == second
    assert first["link"] == f"sim:two-pairs@{first['seed']}"
    assert [p["address"] for p in first["plan"]] == [1, 2, 3, 4]
    assert first["hints"] == []
    kept = json.loads((tmp_path / "state.json").read_text(encoding="utf-8"))
    assert kept["attempts"][0]["seed"] == first["seed"]
    other = result_of(train("two-pairs@77", "--json"))["assignment"]
    assert other["seed"] == 77


def test_nothing_that_is_printed_before_the_answer_tells_the_truth(train: Train) -> None:
    seed = seed_for("two-pairs", "three-and-one")
    for ran in (train(f"two-pairs@{seed}"), train(f"two-pairs@{seed}", "--json")):
        for word in ("duplicate", "share address", "three-and-one", "truth"):
            assert word not in ran.out + ran.err


def test_the_whole_course_of_an_exercise(train: Train, tmp_path: Path) -> None:
    seed = seed_for("one-meter-silent", "factory-address")
    name = f"one-meter-silent@{seed}"
    recording = tmp_path / "scan.busprobe"
    scan = busprobe("scan", f"sim:{name}", "--addresses", "1-4", "--record", recording, "--json")
    found = [(f["code"], f["address"]) for f in json.loads(scan.out)["findings"]]
    assert ("duplicate-address", 1) in found
    hinted = result_of(train(name, "--hint", "1", "--json"))["assignment"]
    assert len(hinted["hints"]) == 1
    ran = train(name, "--answer", "duplicate-address@1", "--recording", recording, "--json")
    grade = result_of(ran)["grade"]
    assert ran.status == 0
    assert grade["complete"]
    assert grade["counts"]
    assert grade["judged_conduct"]
    assert grade["conduct"] == []
    assert grade["bus_time_s"] > 10
    assert grade["hint_points"] == hinted["hint_prices"][0]
    assert grade["score"] == pytest.approx(100 - grade["hint_points"] - grade["time_points"])
    again = train(name, "--answer", "none", "--no-evidence", "--json")
    assert not result_of(again)["grade"]["counts"]
    assert again.status == 1
    listed = {e["name"]: e["best"] for e in result_of(train("--list", "--json"))["exercises"]}
    assert listed["one-meter-silent"] == grade["score"]


def test_what_was_missed_is_shown_by_evidence(train: Train, tmp_path: Path) -> None:
    seed = seed_for("one-meter-silent", "other-settings")
    name = f"one-meter-silent@{seed}"
    recording = tmp_path / "scan.busprobe"
    busprobe("scan", f"sim:{name}", "--addresses", "1-4", "--record", recording, "--json")
    ran = train(name, "--answer", "noisy-line", "--recording", recording, "--json")
    grade = result_of(ran)["grade"]
    assert ran.status == 1
    (cause,) = grade["causes"]
    assert (cause["verdict"], cause["code"], cause["address"]) == ("missed", "settings-differ", 2)
    shown = cause["shown"]
    assert "19200" in shown["summary"]
    assert shown["evidence"]
    assert shown["in_recording"] == "scan.busprobe"
    assert shown["command"] == f"busprobe scan sim:{name}"
    assert grade["wrong"] == [{"code": "noisy-line", "address": None, "inputs": [], "others": []}]
    words = train(name, "--answer", "none", "--no-evidence").out
    assert "missed: settings-differ@2" in words


def test_talking_beside_the_master_is_seen_in_the_recording(train: Train, tmp_path: Path) -> None:
    seed = seed_for("who-is-talking", "manager-polls")
    name = f"who-is-talking@{seed}"
    polite, rude = tmp_path / "listen.busprobe", tmp_path / "scan.busprobe"
    alone = tmp_path / "alone.busprobe"
    busprobe("listen", f"sim:{name}", "--seconds", "4", "--record", polite)
    line = ("--addresses", "1-3", "--baud", "9600", "--no-duplicates")
    busprobe("scan", f"sim:{name}", *line, "--insist", "--record", rude)
    busprobe("scan", f"sim:{name}+alone", *line, "--record", alone)

    def conduct(*files: Path) -> list[str]:
        given = [part for file in files for part in ("--recording", file)]
        ran = train(name, "--answer", "foreign-master", *given, "--json")
        return [d["kind"] for d in result_of(ran)["grade"]["conduct"]]

    assert conduct(polite) == []
    assert conduct(polite, rude) == ["talked-beside-master"]
    assert conduct(polite, alone) == ["master-unplugged"]


def test_a_recording_of_another_bus_is_refused(train: Train, tmp_path: Path) -> None:
    other = tmp_path / "other.busprobe"
    busprobe("listen", "sim:healthy", "--seconds", "1", "--record", other)
    ran = train("two-pairs@1", "--answer", "none", "--recording", other)
    assert ran.status == 2
    assert "sim:healthy" in ran.err
    # Nothing is graded, nothing is kept.
    assert not (tmp_path / "state.json").exists()


def test_drawn_exercises(train: Train) -> None:
    drawn = result_of(train("--random", "--level", "3", "--seed", "5", "--json"))["assignment"]
    assert drawn["link"] == "sim:random-3@5"
    assert drawn["level"] == 3
    again = result_of(train("random-3@5", "--json"))["assignment"]
    assert again == drawn
    ran = train("random-3@5", "--answer", "none", "--no-evidence", "--json")
    assert len(result_of(ran)["grade"]["causes"]) == 2


def test_answers_of_a_class_are_exported(tmp_path: Path) -> None:
    states = []
    for name, answer in (("Ada", "duplicate-address@1"), ("=Grace()", "none")):
        state = tmp_path / f"{len(states)}.json"
        states += ["--state", state]
        seed = seed_for("one-meter-silent", "factory-address")
        busprobe(
            "train", f"one-meter-silent@{seed}", "--answer", answer, "--no-evidence",
            "--trainee", name, "--state", state,
        )  # fmt: skip
    table, document = tmp_path / "results.csv", tmp_path / "results.json"
    assert busprobe("train", "--export", table, *states).status == 0
    assert busprobe("train", "--export", document, *states).status == 0
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    # What a spreadsheet would run as a formula is marked as text (OWASP, CSV injection).
    assert [r["trainee"] for r in rows] == ["Ada", "'=Grace()"]
    assert [float(r["score"]) for r in rows] == [100.0, 0.0]
    answers = json.loads(document.read_text(encoding="utf-8"))["answers"]
    assert [a["trainee"] for a in answers] == ["Ada", "=Grace()"]
    assert [a["causes_found"] for a in answers] == [1, 0]
    # One trainee who gave no name is named for the export; several are not named alike.
    named = ("--export", table, "--trainee", "Mira")
    assert busprobe("train", *named, *states[2:]).status == 0
    assert table.read_text(encoding="utf-8").splitlines()[1].startswith("Mira,")
    refused = busprobe("train", *named, *states)
    assert refused.status == 2
    assert "names one trainee" in refused.err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "No exercise was named"),
        (("two-pear",), "two-pairs"),
        (("two-pairs", "--answer", "none"), "was not begun"),
        (("two-pairs@1", "--answer", "duplikat@1"), "no code of a finding"),
        (("two-pairs@1", "--answer", "ct reversed"), "is not a cause"),
        (("two-pairs@1", "--hint", "9"), "hints"),
        (("two-pairs@1", "--seed", "2"), "Two seeds"),
        (("two-pairs@1+alone",), "belongs to the link"),
        (("two-pairs", "--level", "2"), "--random"),
        (("two-pairs", "--random"), "draws the exercise itself"),
        (("two-pairs@1", "--recording", "x"), "with an answer"),
        (("--export", "results.txt"), ".csv or .json"),
    ],
)
def test_wrong_calls_say_what_to_do(train: Train, arguments: tuple[str, ...], words: str) -> None:
    ran = train(*arguments)
    assert ran.status == 2
    assert words in ran.err


def test_a_damaged_state_is_told_and_kept(tmp_path: Path) -> None:
    state = tmp_path / "state.json"
    state.write_text('{"format": "something else"}', encoding="utf-8")
    ran = busprobe("train", "--list", "--state", state)
    assert ran.status == 2
    assert "no file of a trainee" in ran.err
    assert state.read_text(encoding="utf-8") == '{"format": "something else"}'


@pytest.mark.skipif("sys.platform == 'win32'")
def test_a_class_reaches_the_bus_over_tcp(train: Train) -> None:
    ran = train("two-pairs@1", "--serve", "--tcp", "0", "--seconds", "0.3")
    assert ran.status == 0
    assert "tcp://127.0.0.1:" in ran.out


def test_the_bus_of_an_exercise_can_be_simulated_too() -> None:
    ran = busprobe("simulate", "two-pairs@1", "--tcp", "0", "--seconds", "0.2")
    assert ran.status == 0
    assert "share" not in ran.out + ran.err


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo terminals")
def test_what_a_pseudo_terminal_cannot_pass_on_is_said() -> None:
    ran = busprobe("simulate", "healthy", "--pty", "--seconds", "0.2")
    assert ran.status == 0
    assert "neither parity nor stop bits" in ran.err
    assert "--rfc2217" in ran.err
    assert "parity" not in ran.out
    ran = busprobe("simulate", "healthy", "--tcp", "0", "--seconds", "0.2")
    assert "parity" not in ran.err
