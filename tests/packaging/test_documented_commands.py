"""Every command that the documentation shows runs, on a simulated bus."""

from __future__ import annotations

import re
import shlex
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner
from test_documentation import PAGES

from busprobe.cli.app import COMMANDS, Outside, application
from busprobe.launch import link_opener, run_terminal, simulation_server, simulator, training

ROOT = Path(__file__).resolve().parents[2]
# What the documentation leaves open, and what stands for it here.
STANDS_FOR = {
    "LINK": "sim:healthy",
    "/dev/ttyUSB0": "sim:demo",
    "ADDRESS": "2",
    "[ADDRESSES]": "1,2",
    "COMMAND": "scan",
    "HEX": "010300000002C40B",
    "RECORDING": "made.busprobe",
}
# Commands that serve until they are stopped, need somebody who answers, or open the screen.
WAITING = re.compile(r"^(demo|simulate (?!--list)|readdress |watch |train .*--serve|train$)")
# A command that is only named, without what it needs.
NAMED = re.compile(r"^(\S+|scan --profile|recording FILE)$")
WRITTEN = ("-o", "--record", "--html", "--state", "--export")


def documented() -> list[str]:
    """Command lines of all pages, without `busprobe`."""
    found: dict[str, None] = {}
    for page in PAGES:
        text = page.read_text(encoding="utf-8").replace("\\\n", " ")
        for line in re.findall(r"(?:^\$ |^|`)busprobe +([^`\n|>]+)", text, re.MULTILINE):
            words = " ".join(line.split())
            if words.split()[0] in COMMANDS and not WAITING.match(words):
                found[words] = None
    bare = {"ports", "doctor"}
    return [words for words in found if words in bare or not NAMED.match(words)]


def called(words: list[str]) -> None:
    outside = Outside(
        link_opener(pace="virtual"), run_terminal, simulator, simulation_server, training
    )
    result = CliRunner().invoke(application, words, obj=outside)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code in (0, 1), result.stderr


def example_of_an_exercise() -> str:
    text = (ROOT / "docs" / "training.md").read_text(encoding="utf-8")
    (example,) = re.findall(r"```yaml\n(title:.*?)```", text, re.DOTALL)
    return str(example)


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder, and a user's data folder of its own."""
    monkeypatch.chdir(tmp_path)
    for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA", "USERPROFILE"):
        monkeypatch.setenv(name, str(tmp_path / "home"))
    return tmp_path


def prepare(folder: Path, words: list[str]) -> None:
    """Make the files that a command reads."""
    for number, word in enumerate(words):
        if words[number - 1] in WRITTEN:
            continue
        if word.endswith(".busprobe"):
            exercise = next((w for w in words if "@" in w), None) if words[0] == "train" else None
            link = f"sim:{exercise or 'demo'}"
            called(["scan", link, "--addresses", "1-12", "--record", word])
        elif word == "plan.yaml":
            called(["plan", "sim:healthy", "--addresses", "1-12", "-o", word])
        elif word == "visit.json":
            prepare(folder, ["plan.yaml"])
            called(["verify", "plan.yaml", "--quick", "--only", "find", "--state", word])
        elif word == "./kiln.yaml":
            (folder / word).write_text(example_of_an_exercise(), encoding="utf-8")
        elif word == "customer.yaml":
            made = CliRunner().invoke(application, ["report", "--details-template"])
            (folder / word).write_text(made.stdout, encoding="utf-8")
        elif word == "log.csv":
            rows = [f"{t},230,230,230,{100 + 2000 * (t // 20 % 2)},100,100" for t in range(120)]
            text = "\n".join(["t,V_L1,V_L2,V_L3,P_L1,P_L2,P_L3", *rows])
            (folder / word).write_text(text, encoding="utf-8")


@pytest.mark.parametrize("line", documented())
def test_a_documented_command_runs(line: str, folder: Path) -> None:
    profile = str(ROOT / "device_profiles" / "zwergau-zg4.yaml")
    words = [STANDS_FOR.get(word, word) for word in shlex.split(line)]
    words = [profile if word == "FILE" else word for word in words]
    prepare(folder, words)
    if "--export" in words:  # the results of trainees, each begun and answered before
        for word in (w for w in words if w.endswith(".json")):
            called(["train", "one-meter-silent@1", "--answer", "none", "--state", word])
    # Under a steady sun the balance reads as long as it may; how long is not what is tested here.
    called([*words, "--duration", "20"] if words[0] == "balance" else words)
    for option, file in pairwise(words):
        if option in WRITTEN:
            assert (folder / file).stat().st_size > 0


def test_enough_commands_are_shown() -> None:
    assert len(documented()) > 25
