"""The law over links in real time: a simulated bus behind a pseudo terminal and behind sockets.

Bytes then come in pieces, stamps bear the delays of a loaded computer, and work beside the bus
makes its clock leap. What was asked, in which order, and every verdict must still be the same.
"""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from busprobe.model.line import parse_link
from busprobe.recording.read import open_recording
from busprobe.recording.replaying import open_replay
from busprobe_sim.scenario import load_scenario
from tests.cli.test_commands import busprobe
from tests.peers.simulated_bus_serving import served
from tests.recording.test_replay_commands import comparable

# Two meters on one address, so that the duplicate test runs with all that it may ask.
TWINS = """
title: Twins
story: Two meters on one address, a third beside them, quick enough for tests in real time.
line: {settings: 38400 8N1, length_m: 5}
devices:
  - {name: one, address: 1, serial: A-1, sunspec: {models: [203]}, position_m: 2,
     transceiver: {clock_error: 0.002}, timing: {turnaround_ms: 3, loop_ms: 2}}
  - {name: other, address: 1, serial: A-2, sunspec: {models: [203]}, position_m: 4,
     transceiver: {clock_error: -0.002}, timing: {turnaround_ms: 4, loop_ms: 2}}
  - {name: third, address: 2, serial: B-7, sunspec: {models: [203]}, position_m: 5,
     timing: {turnaround_ms: 3, loop_ms: 2}}
"""
WAYS = {
    "pty": {"pty": True},
    "rfc2217": {"rfc2217_port": 0},
    "rtu+tcp": {"rtu_tcp_port": 0},
    "tcp": {"tcp_port": 0},
}


def asked(path: Path) -> list[tuple[int, bytes, str, int | None]]:
    """What was asked, in order, and what came of it."""
    with open_recording(path) as recording:
        return [(e.address, e.request, e.outcome, e.turnaround_ns) for e in recording.exchanges()]


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo terminal")
@pytest.mark.parametrize(
    ("way", "call"),
    [
        ("pty", ("duplicates", "1", "--baud", "38400")),
        ("rfc2217", ("duplicates", "1", "--baud", "38400")),
        ("rtu+tcp", ("duplicates", "1")),
        ("tcp", ("scan", "--addresses", "1-3")),
        ("pty", ("line", "2", "--baud", "38400")),
    ],
    ids=lambda part: part if isinstance(part, str) else part[0],
)
def test_a_replay_asks_what_was_asked_in_real_time(
    way: str, call: tuple[str, ...], tmp_path: Path
) -> None:
    scenario = tmp_path / "twins.yaml"
    scenario.write_text(TWINS, encoding="utf-8")
    command, *rest = call
    file, second = tmp_path / "visit.busprobe", tmp_path / "again.busprobe"
    with served(load_scenario(str(scenario)).build(), **WAYS[way]) as found:
        (link,) = found.links
        live = busprobe(command, link, *rest, "--record", file, "--json")
    again = busprobe(command, f"replay:{file}", *rest, "--record", second, "--json")
    assert len(asked(file)) > 3
    assert asked(second) == asked(file)
    assert again.status == live.status
    assert comparable(again) == comparable(live)
    replayed, _ = open_replay(parse_link(f"replay:{file}"))
    assert replayed.recorded_kind is parse_link(link).kind
