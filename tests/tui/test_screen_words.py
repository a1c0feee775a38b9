"""Advice of the core, said in keys: no command line on a screen."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from busprobe.diagnosis.catalogue import finding
from busprobe.tui.actions import ACTIONS, Scope
from busprobe.tui.screen_words import screen_words

PACKAGE = Path(__file__).parents[2] / "busprobe"
# What the screens can show; exercises and written files speak of the command line on purpose.
TOLD = ("bus", "diagnosis/catalogue", "link", "model", "procedures", "session", "site")
ELSEWHERE = {"first_plan.py", "training.py", "trainee.py", "examine.py"}
COMMAND_WORDS = re.compile(r"(?<![\w-])--[a-z][a-z-]+|'busprobe [a-z]+")


def texts() -> list[tuple[str, str]]:
    """Every string of the code that names a command or an option, docstrings left out."""
    found = []
    for folder in TOLD:
        for file in sorted((PACKAGE / folder).rglob("*.py")):
            if file.name in ELSEWHERE:
                continue
            tree = ast.parse(file.read_text(encoding="utf-8"))
            quiet = {
                id(node.value)
                for node in ast.walk(tree)
                if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)
            }
            for node in ast.walk(tree):
                told = isinstance(node, ast.Constant) and isinstance(node.value, str)
                if told and id(node) not in quiet and COMMAND_WORDS.search(node.value):
                    found.append((f"{file.name}:{node.lineno}", node.value))
    return found


def test_the_core_does_speak_of_commands() -> None:
    assert len(texts()) > 5


@pytest.mark.parametrize(("where", "text"), texts(), ids=[where for where, _ in texts()])
def test_no_screen_shows_a_command_line(where: str, text: str) -> None:
    assert COMMAND_WORDS.findall(screen_words(text)) == []


def test_commands_become_steps_and_options_keys() -> None:
    assert screen_words("run 'busprobe duplicates' on address 3.") == "run step 3 on address 3."
    assert screen_words("search again without --fast.") == "search again with s instead of o."


def test_a_shared_address_is_parted_by_the_way_of_each_face() -> None:
    found = finding(
        "duplicate-address", address=7, probability=1.0, evidence=(), which="", manner=""
    )
    assert "'busprobe readdress LINK 7 --separate'" in found.remedy
    assert screen_words(found.remedy).startswith("Let g in step 3 guide you: you disconnect")
    parting = next(a for a in ACTIONS if (a.scope, a.call) == (Scope.WORK, "separate"))
    assert parting.key_name == "g"


def test_other_text_stays_as_it_is() -> None:
    for text in ("Turn the CT of L2 round.", "a -- b", "'busprobe frobnicate'", ""):
        assert screen_words(text) == text
