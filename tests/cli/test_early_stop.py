"""Ctrl-C while something is counted: the counts are told."""

from __future__ import annotations

import json
import signal

import pytest

from busprobe.cli.early_stop import EarlyStop
from busprobe.session.line import LineWork
from tests.cli.test_commands import busprobe


def test_the_first_ctrl_c_asks_and_the_second_ends() -> None:
    before = signal.getsignal(signal.SIGINT)
    with EarlyStop() as stop:
        assert not stop.asked
        signal.raise_signal(signal.SIGINT)
        assert stop.asked
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_a_soak_that_is_stopped_tells_what_it_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    count = LineWork._count

    def counted(self: LineWork, *told: object) -> None:
        count(self, *told)  # type: ignore[arg-type]
        if not self.job.should_stop():
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(LineWork, "_count", counted)
    ran = busprobe("line", "sim:healthy", "1,2", "--soak", "3600", "--json")
    assert ran.status == 130
    document = json.loads(ran.out)
    # Of an hour only the beginning was counted, and that is told.
    assert 0 < document["exchanges"] < 2_000
    assert document["result"]["addresses"]
    assert "Ctrl-C again ends at once" in ran.err
