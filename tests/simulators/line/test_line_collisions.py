"""Two devices on one address: shares of what is heard.

Expected shares computed with an independent line and UART model (9600 8N1, 9-byte replies of random
data, turn-around 5 ms + U(0, 2 ms) each, 3000 trials); its receivers, drivers and cable are known
only by their typical values, and where the contested voltage lies within some 10 mV of a threshold
the shares depend on them. The tolerance says how much.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.model.line import LineSettings, Parity
from tests.simulators.line.collision_trials import (
    SITUATIONS,
    Situation,
    any_failsafe,
    shares,
    trial,
)

TRIALS = 300
EVEN = LineSettings(9600, Parity.EVEN)


@pytest.mark.parametrize(
    ("name", "clean", "tail", "junk", "none", "damaged", "tolerance"),
    [
        ("equal, 10 m apart, failsafe", 0.0, 0.0, 0.0, 1.0, 0.53, 0.08),
        # 0.00 V against a threshold from -0.095 to +0.025 V.
        ("equal, 10 m apart, classic", 0.03, 0.06, 0.003, 0.91, 0.63, 0.17),
        ("5 m and 50 m", 0.186, 0.358, 0.032, 0.424, 0.45, 0.08),
        ("5 m and 300 m", 0.186, 0.358, 0.032, 0.424, 0.45, 0.08),
        # -0.15 V against a threshold from -0.16 to -0.08 V.
        ("5 V against 3.3 V", 0.155, 0.287, 0.03, 0.53, 0.50, 0.17),
        ("weak against 5 V", 0.205, 0.355, 0.035, 0.405, 0.43, 0.08),
        ("equal, identical data", 0.06, 0.025, 0.005, 0.915, 0.57, 0.08),
        ("both drive only 0", 0.0, 0.0, 0.0, 1.0, 0.91, 0.08),
    ],
)
def test_shares(
    name: str, clean: float, tail: float, junk: float, none: float, damaged: float, tolerance: float
) -> None:
    got = shares(SITUATIONS[name], TRIALS)
    expected = {"clean": clean, "tail": tail, "junk+frame": junk, "none": none, "damaged": damaged}
    assert {k: got[k] for k in expected} == pytest.approx(expected, abs=tolerance)
    assert got["two"] == 0.0


@pytest.mark.parametrize(
    ("loop_ms", "kind", "expected"),
    [(10.0, "none", 0.98), (20.0, "two", 0.28), (50.0, "two", 0.65)],
)
def test_spread_of_the_turn_around(loop_ms: float, kind: str, expected: float) -> None:
    got = shares(Situation(receiver=any_failsafe, loop_ms=loop_ms), TRIALS)
    assert got[kind] == pytest.approx(expected, abs=0.09)


@pytest.mark.parametrize(
    ("offset_ms", "expected"),
    [
        # The near device begins first and wins every bit; the other is heard to the end.
        (2.0, "tail"),
        (6.0, "tail"),
        (-1.0, "junk+frame"),
        # The receiver is locked to the other's bits when the near one takes over.
        (-4.0, "none"),
        (10.5, "two"),
        (-10.5, "two"),
    ],
)
def test_fixed_offset_of_the_far_device(offset_ms: float, expected: str) -> None:
    situation = Situation((5.0, 300.0), turnaround_ms=(20.0, 20.0 + offset_ms), loop_ms=0.0)
    kinds = [trial(situation, seed).kind for seed in range(20)]
    assert kinds.count(expected) >= 18, kinds


@pytest.mark.parametrize(("port_m", "nearer"), [(0.0, 0), (305.0, 1)])
def test_the_nearer_device_wins_at_either_end_of_the_cable(port_m: float, nearer: int) -> None:
    situation = replace(SITUATIONS["5 m and 300 m"], port_m=port_m)
    winners = [trial(situation, seed).winner for seed in range(80)]
    assert winners.count(nearer) > 30
    assert winners.count(1 - nearer) == 0


def test_a_strong_driver_wins_over_a_weak_one() -> None:
    winners = [trial(SITUATIONS["weak against 5 V"], seed).winner for seed in range(80)]
    assert winners.count(1) > 30
    assert winners.count(0) == 0


def test_framing_errors_with_parity() -> None:
    # 61 % of the transactions with 8E1, 53 % with 8N1, by the same model.
    even = replace(SITUATIONS["equal, 10 m apart, failsafe"], form=EVEN)
    assert shares(even, TRIALS)["damaged"] == pytest.approx(0.61, abs=0.08)
