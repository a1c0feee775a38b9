"""A program that is killed at any moment loses nothing that it had handed over a second before."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from busprobe.recording.read import is_intact, open_recording

_CHILD = """
import sys, threading, time
from pathlib import Path
sys.path[:0] = {roots!r}
from busprobe.model.chunk import Chunk, Direction
from tests.recording.recordings import FINDING, begin
recorder = begin(Path(sys.argv[1]))
never = threading.Event()
number = 0
while True:
    number += 1
    recorder.chunk(Chunk(Direction.RECEIVED, number, number.to_bytes(4, "big") * 20))
    if number % 50 == 0:
        recorder.finding(number, FINDING)
        recorder.event(number, "number", {{"number": number}})
    print(number, time.monotonic_ns(), flush=True)
    never.wait(0.002)
"""
_KILLS = 6
_SECOND_NS = 1_000_000_000


class Victim:
    """A process that records and tells when it handed each row over."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.told: list[tuple[int, int]] = []
        roots = [entry for entry in sys.path if entry]
        self.process = subprocess.Popen(
            [sys.executable, "-c", _CHILD.format(roots=roots), str(path)],
            stdout=subprocess.PIPE,
            text=True,
        )
        self.reader = threading.Thread(target=self._read)
        self.reader.start()
        self.killed_ns = 0

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.endswith("\n") and line.count(" ") == 1:
                number, t_ns = line.split()
                self.told.append((int(number), int(t_ns)))

    def kill_after(self, seconds: float) -> None:
        """Let it work for so long after its first row, then kill it."""
        deadline = time.monotonic() + 60
        while not self.told and time.monotonic() < deadline:
            threading.Event().wait(0.01)
        assert self.told, "it never began"
        threading.Event().wait(seconds)
        self.killed_ns = time.monotonic_ns()
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.reader.join()
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no SIGKILL on this system")
def test_a_kill_at_any_moment_costs_less_than_the_last_second(tmp_path: Path) -> None:
    chance = random.Random(20_260_329)
    victims = [Victim(tmp_path / f"visit-{n}.busprobe") for n in range(_KILLS)]
    killers = [
        threading.Thread(target=v.kill_after, args=(chance.uniform(1.1, 2.6),)) for v in victims
    ]
    for killer in killers:
        killer.start()
    for killer in killers:
        killer.join()
    for victim in victims:
        assert victim.killed_ns
        old = [number for number, t_ns in victim.told if t_ns < victim.killed_ns - _SECOND_NS]
        assert old, "the machine was too slow to say anything"
        with open_recording(victim.path) as recording:
            chunks = list(recording.chunks())
            events = [e.body["number"] for e in recording.events()]
            assert recording.damaged_rows == 0
        # Nothing older than a second is missing, and what is there is a whole beginning.
        assert [c.t_ns for c in chunks] == list(range(1, len(chunks) + 1))
        assert len(chunks) >= old[-1]
        assert all(c.data == c.t_ns.to_bytes(4, "big") * 20 for c in chunks)
        assert events[: old[-1] // 50] == list(range(50, old[-1] + 1, 50))
        assert is_intact(victim.path)
