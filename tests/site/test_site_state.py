"""The state file of a verification: whole at any moment, private, both visits side by side."""

from __future__ import annotations

import dataclasses
import json
import stat
import sys
from pathlib import Path

import pytest
from verifying import EXAMPLE

from busprobe.model.check import Check, CheckOutcome
from busprobe.model.errors import InputError
from busprobe.model.finding import Evidence, Finding, Severity
from busprobe.site import state as state_module
from busprobe.site.plan import load_plan
from busprobe.site.state import (
    StateFile,
    VisitPart,
    load_state,
    merged,
    save_state,
    state_for,
)

CHECK = Check(
    "answers",
    "grid meter",
    "Answers at its address and settings",
    "address 1",
    "nobody — »stumm«",
    CheckOutcome.NOT_TESTED,
    "",
    (Evidence(3, "x"), Evidence(None, "y")),
    ("duplicate-address",),
)
FINDING = Finding(
    "duplicate-address", Severity.FAULT, 1, None, "s", "c", 0.999, (Evidence(1, "t"),), "r", None
)


def visit(*checks: Check) -> VisitPart:
    return VisitPart(
        started="2026-01-01T00:00:00+01:00",
        changed="2026-01-01T00:01:00+01:00",
        checks=checks,
        findings=(FINDING,),
        settings={"bus": {1: "9600 8N1", 2: None}},
    )


def a_state() -> StateFile:
    return state_for(load_plan(EXAMPLE), None)


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    file = tmp_path / "s.json"
    state = a_state().with_visit("as-found", visit(CHECK))
    save_state(file, state)
    assert load_state(file) == state
    found = load_state(file).visit("as-found")
    assert found is not None
    assert found.checks == (CHECK,)
    assert found.findings == (FINDING,)
    assert found.settings == {"bus": {1: "9600 8N1", 2: None}}


def test_as_found_stays_when_as_left_is_written(tmp_path: Path) -> None:
    file = tmp_path / "s.json"
    save_state(file, a_state().with_visit("as-found", visit(CHECK)))
    later = load_state(file).with_visit("as-left", visit())
    save_state(file, later)
    both = load_state(file)
    assert both.as_found == visit(CHECK)
    assert both.as_left == visit()


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX modes")
def test_only_the_owner_can_read_it(tmp_path: Path) -> None:
    file = tmp_path / "s.json"
    save_state(file, a_state())
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert [p.name for p in tmp_path.iterdir()] == ["s.json"]


def test_a_write_that_breaks_off_leaves_the_old_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "s.json"
    save_state(file, a_state())
    before = file.read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(state_module.os, "fsync", full)
    with pytest.raises(InputError, match="No space left"):
        save_state(file, a_state().with_visit("as-found", visit(CHECK)))
    monkeypatch.undo()
    assert file.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["s.json"]


def test_a_state_of_another_plan_is_refused(tmp_path: Path) -> None:
    file, other = tmp_path / "s.json", tmp_path / "other.yaml"
    save_state(file, a_state())
    other.write_text(EXAMPLE.read_text(encoding="utf-8") + "# changed\n", encoding="utf-8")
    with pytest.raises(InputError, match="another version of the plan"):
        state_for(load_plan(other), file)


@pytest.mark.parametrize(
    "text", ["", "[]", "{}", "no JSON", json.dumps({"format": 2}), "\x00\x01", '{"format": 1']
)
def test_a_file_that_is_no_state_is_refused(text: str, tmp_path: Path) -> None:
    file = tmp_path / "s.json"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="no state file"):
        load_state(file)


def test_newer_findings_replace_older_ones_of_the_same_code_and_address() -> None:
    newer = dataclasses.replace(FINDING, probability=0.5)
    elsewhere = dataclasses.replace(FINDING, address=2)
    assert merged((FINDING,), (newer, elsewhere)) == (newer, elsewhere)
