"""Loops that hold the grid at zero: seen through where they are measured, named where not."""

from __future__ import annotations

import numpy as np
import pytest

from busprobe.diagnosis.balance import BalanceVerdict, Sign, diagnose_balance
from tests.diagnosis.balance.energy_sites import EnergySite, Generator, draw


def site(battery: str, preset: str, sky: str, shown: float) -> EnergySite:
    gen = Generator(sky=sky, shown=(shown,) * 3, rounds=2 if sky == "clear" else 0)
    return EnergySite(preset, {"gen": gen}, duration_s=240.0, battery=battery)


@pytest.mark.parametrize("sky", ["broken", "clear"])
@pytest.mark.parametrize("preset", ["quiet", "busy"])
@pytest.mark.parametrize("shown", [1.0, -1.0, 2.0])
def test_the_hybrids_own_readings_let_the_generators_meter_be_judged(
    preset: str, sky: str, shown: float
) -> None:
    drawn = draw(np.random.default_rng((5, len(preset))), site("hybrid", preset, sky, shown))
    found = diagnose_balance(drawn.series, drawn.roles, curtailed=drawn.marks)
    meter = found.meter("gen")
    assert meter.sign is (Sign.RIGHT if shown > 0 else Sign.REVERSED)
    assert meter.ratio == abs(shown)
    assert found.meter("hybrid").sign is Sign.RIGHT


@pytest.mark.parametrize("sky", ["broken", "clear"])
@pytest.mark.parametrize("preset", ["quiet", "busy"])
@pytest.mark.parametrize("shown", [1.0, -1.0])
def test_a_hidden_loop_is_named_and_nothing_is_claimed(preset: str, sky: str, shown: float) -> None:
    drawn = draw(np.random.default_rng((6, len(preset))), site("hidden", preset, sky, shown))
    found = diagnose_balance(drawn.series, drawn.roles, curtailed=drawn.marks)
    assert found.verdict is BalanceVerdict.UNDECIDED
    assert found.meter("gen").sign is Sign.UNKNOWN
    assert found.next_experiment is not None
    assert "--hybrid" in found.next_experiment


@pytest.mark.parametrize("sky", ["broken", "clear"])
@pytest.mark.parametrize("shown", [1.0, -1.0])
@pytest.mark.parametrize("level", [0.5, 0.7])
def test_a_hidden_battery_at_its_limit_lets_nothing_wrong_be_claimed(
    level: float, shown: float, sky: str
) -> None:
    """It holds the grid at zero while it can, so that a part of each change arrives there."""
    gen = Generator(
        8000.0, sky=sky, level=level, shown=(shown,) * 3, rounds=2 if sky == "clear" else 0
    )
    limited = EnergySite(
        "quiet", {"gen": gen}, duration_s=240.0, battery="hidden", battery_w=3000.0
    )
    drawn = draw(np.random.default_rng((7, int(10 * level))), limited)
    found = diagnose_balance(drawn.series, drawn.roles, curtailed=drawn.marks)
    assert found.verdict is BalanceVerdict.UNDECIDED
    assert found.meter("gen").sign is Sign.UNKNOWN
    assert not found.meter("gen").decided
    assert found.meter("grid").sign is Sign.UNKNOWN
    assert any("battery" in text for text in found.not_identifiable)
