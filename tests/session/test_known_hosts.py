"""Hosts that were reached before."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from busprobe.session.keeping import recordings_in
from busprobe.session.known_hosts import MOST, KnownHosts


def test_the_newest_host_stands_first_and_none_twice(tmp_path: Path) -> None:
    hosts = KnownHosts(tmp_path / "deep" / "hosts.json")
    assert hosts.listed() == ()
    for argument in ("tcp://10.0.0.7", "rtu+tcp://gate:4001", "tcp://10.0.0.7"):
        hosts.remember(argument)
    assert hosts.listed() == ("tcp://10.0.0.7", "rtu+tcp://gate:4001")
    assert [file.name for file in (tmp_path / "deep").iterdir()] == ["hosts.json"]


def test_only_so_many_are_kept(tmp_path: Path) -> None:
    hosts = KnownHosts(tmp_path / "hosts.json")
    for number in range(MOST + 3):
        hosts.remember(f"tcp://10.0.0.{number}")
    assert len(hosts.listed()) == MOST
    assert hosts.listed()[0] == f"tcp://10.0.0.{MOST + 2}"


@pytest.mark.parametrize("argument", ["/dev/ttyUSB0", "sim:demo", "replay:x.busprobe", "ftp://x"])
def test_what_is_no_host_is_left_out(tmp_path: Path, argument: str) -> None:
    hosts = KnownHosts(tmp_path / "hosts.json")
    hosts.remember(argument)
    assert hosts.listed() == ()


@pytest.mark.parametrize("text", ["", "{", "{}", "3", '["sim:demo", 7, null]', "\x00", '"x"'])
def test_a_damaged_file_never_stands_in_the_way(tmp_path: Path, text: str) -> None:
    file = tmp_path / "hosts.json"
    file.write_text(text, encoding="utf-8")
    hosts = KnownHosts(file)
    assert hosts.listed() == ()
    hosts.remember("tcp://10.0.0.7")
    assert hosts.listed() == ("tcp://10.0.0.7",)


def test_a_place_that_cannot_be_written_never_stands_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "blocked").write_text("a file where a folder should be", encoding="utf-8")
    hosts = KnownHosts(tmp_path / "blocked" / "hosts.json")
    hosts.remember("tcp://10.0.0.7")
    assert hosts.listed() == ()


def test_recordings_are_listed_the_newest_first(tmp_path: Path) -> None:
    assert recordings_in(tmp_path / "none") == ()
    for number, name in enumerate(("a", "b", "c")):
        file = tmp_path / f"{name}.busprobe"
        file.write_bytes(b"")
        os.utime(file, (1_767_600_000 + number, 1_767_600_000 + number))
    (tmp_path / "note.txt").write_text("no recording", encoding="utf-8")
    listed = recordings_in(tmp_path, most=2)
    assert [Path(file).name for file, _ in listed] == ["c.busprobe", "b.busprobe"]
    assert all(title.startswith("a visit of 2026-01-0") for _, title in listed)
