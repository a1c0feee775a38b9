"""Bench test and change of address, as commands on simulated buses."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from busprobe.cli.app import Outside, application
from busprobe.cli.documents import json_schema
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator


def busprobe(*arguments: str | Path) -> tuple[int, dict, str]:
    outside = Outside(link_opener(pace="virtual"), run_terminal, simulator, simulation_server)
    result = CliRunner().invoke(application, [str(a) for a in arguments], obj=outside)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, json.loads(result.stdout) if result.stdout else {}, result.stderr


def outcomes(document: dict) -> dict[str, str]:
    return {c["name"]: c["outcome"] for c in document["result"]["checks"]}


def test_a_sound_meter_passes_the_bench() -> None:
    status, document, _ = busprobe("bench", "sim:healthy", "2", "--requests", "20", "--json")
    jsonschema.validate(document, json_schema("bench"))
    assert status == 0
    assert document["result"]["passed"]
    found = outcomes(document)
    assert found["identity"] == found["map"] == found["answers"] == found["exceptions"] == "PASS"
    assert "S/N 700412" in document["result"]["label"]


def test_a_new_meter_without_current_is_not_called_accurate() -> None:
    _, document, _ = busprobe("bench", "sim:bench", "1", "--requests", "10", "--json")
    assert outcomes(document)["counter"] == "NOT TESTED"


def test_counter_and_power_agree_where_current_flows() -> None:
    _, document, _ = busprobe(
        "bench", "sim:odd-firmware", "4", "--requests", "10", "--watch", "90", "--json"
    )
    assert outcomes(document)["counter"] == "PASS"


def test_a_wrong_map_fails_the_bench() -> None:
    status, document, _ = busprobe(
        "bench", "sim:odd-firmware", "3", "--requests", "10", "--watch", "0", "--json"
    )
    assert status == 1
    assert outcomes(document)["map"] == "FAIL"


@pytest.mark.parametrize(("value", "outcome"), [("231", "PASS"), ("240", "FAIL")])
def test_a_reference_instrument_decides(value: str, outcome: str) -> None:
    _, document, _ = busprobe(
        "bench", "sim:healthy", "1", "--requests", "10", "--watch", "2",
        "--reference", f"V_L1={value}", "--json",
    )  # fmt: skip
    assert outcomes(document)["reference"] == outcome


@pytest.mark.parametrize("text", ["V_L1", "V_L1=abc", "=3", "V L1=3"])
def test_a_reference_that_is_none_is_told(text: str) -> None:
    status, _, err = busprobe("bench", "sim:healthy", "1", "--reference", text, "--json")
    assert status == 2
    assert "quantity" in err


def test_an_address_is_changed_when_confirmed() -> None:
    status, document, err = busprobe("readdress", "sim:healthy", "2", "7", "--yes", "--json")
    jsonschema.validate(document, json_schema("readdress"))
    assert status == 0
    assert document["result"]["state"] == "changed"
    assert document["result"]["answers_at"] == 7
    assert "WRITTEN to address 2" in err


def test_nothing_is_written_when_only_the_plan_is_wanted() -> None:
    status, document, _ = busprobe("readdress", "sim:healthy", "2", "7", "--plan-only", "--json")
    assert status == 0
    assert document["result"]["state"] == "planned"
    assert all(w["outcome"] is None for w in document["result"]["writes"])


def test_nothing_is_written_without_somebody_to_confirm() -> None:
    status, document, err = busprobe("readdress", "sim:healthy", "2", "7", "--json")
    assert status == 2
    assert "--yes" in err
    assert "error" in document


@pytest.mark.parametrize(
    ("link", "address", "new", "reason"),
    [
        ("sim:both-on-one-address", "1", "5", "More than one"),
        ("sim:healthy", "2", "10", "already"),
        ("sim:healthy", "10", "5", "No profile"),
        ("sim:foreign-master", "1", "5", "master"),
    ],
)
def test_a_change_that_would_do_harm_is_refused(
    link: str, address: str, new: str, reason: str
) -> None:
    status, _, err = busprobe("readdress", link, address, new, "--yes", "--json")
    assert status == 2
    assert reason in err


def test_the_rate_can_be_changed_too() -> None:
    status, document, _ = busprobe(
        "readdress", "sim:healthy", "2", "--new-baud", "19200", "--yes", "--json"
    )
    assert status == 0
    assert document["link"]["settings"]["baud"] == 19200
