"""Where sessions are kept when nobody names a file."""

from __future__ import annotations

import os
import stat
import sys
from pathlib import Path

import pytest

from busprobe.launch import link_opener
from busprobe.model.line import LineSettings, parse_link
from busprobe.recording.read import open_recording
from busprobe.session.own_recordings import (
    PLACE,
    PRACTICE,
    Bounds,
    begin_own_recording,
    prune,
)
from busprobe_sim.ports.virtual import run_virtual
from tests.cli.test_commands import busprobe

HOUR_S = 3600.0


def aged(folder: Path, name: str, hours_ago: float, size: int = 10) -> Path:
    path = folder / f"{name}.busprobe"
    path.write_bytes(bytes(size))
    os.utime(path, (1e9 - hours_ago * HOUR_S,) * 2)
    return path


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_the_oldest_go_first_and_what_may_be_in_use_stays(tmp_path: Path) -> None:
    aged(tmp_path, "a", 50)
    aged(tmp_path, "b", 40)
    (tmp_path / "b.busprobe-wal").write_bytes(b"x")
    os.utime(tmp_path / "b.busprobe-wal", (1e9 - 40 * HOUR_S,) * 2)
    aged(tmp_path, "c", 0.5)
    aged(tmp_path, "d", 0.1)
    (tmp_path / "notes.txt").write_text("mine")
    prune(tmp_path, Bounds(2, 1000, 1000), now_s=1e9)
    assert names(tmp_path) == {"c.busprobe", "d.busprobe", "notes.txt"}


def test_a_folder_that_is_too_large_is_made_smaller(tmp_path: Path) -> None:
    for hours in range(2, 8):
        aged(tmp_path, f"h{hours}", hours, 100)
    prune(tmp_path, Bounds(100, 350, 1000), now_s=1e9)
    assert names(tmp_path) == {"h2.busprobe", "h3.busprobe", "h4.busprobe"}


@pytest.mark.skipif(sys.platform == "win32", reason="modes are POSIX")
def test_a_simulated_visit_is_kept_apart_and_private(tmp_path: Path) -> None:
    async def begin() -> Path:
        opened = await link_opener(pace="virtual")(parse_link("sim:healthy"), LineSettings())
        recorder = begin_own_recording(opened.link, tmp_path / "mine")
        assert recorder is not None
        recorder.close()
        return recorder.path

    path = run_virtual(begin())
    assert path.parent == tmp_path / "mine" / "practice"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert PRACTICE.files < 100


def test_every_command_is_kept_unless_it_is_told_not_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(PLACE, str(tmp_path))
    ran = busprobe("read", "sim:healthy", "1", "--json")
    (file,) = (tmp_path / "practice").iterdir()
    assert ran.document["recordings"] == [str(file)]
    assert f"Recorded in {file}" in ran.err
    with open_recording(file) as recording:
        assert len(list(recording.exchanges())) == ran.document["exchanges"]
    none = busprobe("read", "sim:healthy", "1", "--json", "--no-record")
    assert none.document["recordings"] == []
    replayed = busprobe("read", f"replay:{file}", "1", "--json")
    assert replayed.document["recordings"] == []
    assert len(list((tmp_path / "practice").iterdir())) == 1
    both = busprobe("read", "sim:healthy", "1", "--no-record", "--record", tmp_path / "x.busprobe")
    assert both.status == 2


def test_a_folder_that_cannot_be_written_does_not_stop_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    monkeypatch.setenv(PLACE, str(blocked))
    ran = busprobe("read", "sim:healthy", "1", "--json")
    assert ran.status == 0
    assert "This session is not recorded." in ran.err
    assert ran.document["recordings"] == []


def test_a_plan_with_several_lines_has_one_recording_per_line(tmp_path: Path) -> None:
    plan, file = tmp_path / "site.plan.yaml", tmp_path / "visit.busprobe"
    plan.write_text(
        """\
format: 1
site: {name: Orchard}
links:
  - {name: cellar, link: "sim:healthy", settings: 9600 8N1}
  - {name: barn/2, link: "sim:reversed-ct", settings: 9600 8N1}
meters:
  - {name: grid, link: cellar, address: 1, role: grid, positive: import}
  - {name: press, link: barn/2, address: 1, role: sub-meter, behind: grid, feeds: load}
""",
        encoding="utf-8",
    )
    ran = busprobe("verify", plan, "--quick", "--only", "find", "--record", file, "--json")
    made = [tmp_path / "visit-cellar.busprobe", tmp_path / "visit-barn-2.busprobe"]
    assert ran.document["recordings"] == [str(path) for path in made]
    for path, link in zip(made, ("sim:healthy", "sim:reversed-ct"), strict=True):
        with open_recording(path) as recording:
            assert recording.head.endpoint == link
            assert len(list(recording.exchanges())) > 0
