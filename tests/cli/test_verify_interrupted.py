"""A verification that is killed, or stopped with Ctrl-C, loses no check that was on the screen."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from busprobe.recording.read import is_intact, open_recording
from busprobe.site.state import load_state
from tests.cli.test_commands import busprobe

PLAN = """\
format: 1
site: {name: Orchard}
links:
  - {name: bus, link: "sim:healthy", settings: 9600 8N1, length_m: 60, poll_s: 2}
meters:
  - {name: grid, link: bus, address: 1, role: grid, positive: import}
  - {name: workshop, link: bus, address: 2, role: sub-meter, behind: grid, feeds: load}
"""
OPTIONS = ("--quick", "--only", "find,identity,line,readings")
SHOWN = re.compile(r"^  \S (PASS|FAIL|NOT TESTED|NOT APPLICABLE)  ([^:]+): (.+)$")

pytestmark = pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL here")


def interrupted(folder: Path, arguments: list[str], after: int, how: signal.Signals) -> set[str]:
    """Run until so many checks were shown, then send a signal; what was shown by then and later."""
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(entry for entry in sys.path if entry),
        "PYTHONUTF8": "1",
        "BUSPROBE_RECORDINGS": str(folder / "recordings"),
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "busprobe", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=environment,
    )
    assert process.stderr is not None
    shown: set[str] = set()
    for line in process.stderr:
        if (found := SHOWN.match(line.rstrip("\n"))) is not None:
            shown.add(f"{found[2]}: {found[3]}")
            if len(shown) == after:
                process.send_signal(how)
    process.stderr.close()
    assert process.wait() in (-how, 130)
    return shown


def test_it_goes_on_where_it_was_and_keeps_both_states(tmp_path: Path) -> None:
    plan, state = tmp_path / "site.plan.yaml", tmp_path / "site.state.json"
    plan.write_text(PLAN, encoding="utf-8")
    arguments = ["verify", str(plan), *OPTIONS, "--state", str(state)]
    for after, how in ((2, signal.SIGKILL), (3, signal.SIGINT), (1, signal.SIGKILL)):
        shown = interrupted(tmp_path, arguments, after, how)
        kept = load_state(state).as_found
        assert kept is not None
        assert shown <= {f"{c.subject}: {c.title}" for c in kept.checks}
        assert len(shown) >= after
    whole = busprobe("verify", plan, *OPTIONS, "--json", "--no-record").document["result"]
    resumed = busprobe(*arguments, "--json").document["result"]
    told = [(c["name"], c["subject"], c["outcome"]) for c in whole["checks"]]
    assert [(c["name"], c["subject"], c["outcome"]) for c in resumed["checks"]] == told
    found = load_state(state).as_found
    interrupted(tmp_path, [*arguments, "--as-left"], 2, signal.SIGKILL)
    after_left = load_state(state)
    assert after_left.as_found == found
    assert after_left.as_left is not None
    assert not after_left.as_left.complete
    # Killed while it saves, it leaves one file of this name at most, which the next save replaces.
    left = {path.name for path in tmp_path.iterdir() if path.name.endswith(".tmp")}
    assert left <= {f".{state.name}.tmp"}
    recordings = sorted((tmp_path / "recordings" / "practice").glob("*.busprobe"))
    assert len(recordings) == 4
    for path in recordings:
        assert is_intact(path)
        with open_recording(path) as recording:
            assert recording.damaged_rows == 0
