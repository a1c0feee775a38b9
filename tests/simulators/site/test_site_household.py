"""How often things are switched in a household, and the chance behind it."""

from __future__ import annotations

import numpy as np
import pytest

from busprobe_sim.site.chance import Chance
from busprobe_sim.site.demand import Demand
from busprobe_sim.site.household import PRESETS, Household


def _constant_w(household: Household, t_s: float) -> list[float]:
    demand = Demand()
    household.add_to(demand, t_s)
    return [demand.constant_va[k].real + demand.resistive_va[k].real for k in range(3)]


def test_numbers_have_the_moments_of_their_distributions() -> None:
    chance = Chance(1, "test")
    normal = np.array([chance.normal(i) for i in range(20_000)])
    uniform = np.array([chance.uniform(i) for i in range(20_000)])
    counts = np.array([chance.poisson(1.7, i) for i in range(20_000)])
    assert normal.mean() == pytest.approx(0.0, abs=0.03)
    assert normal.std() == pytest.approx(1.0, abs=0.03)
    assert (normal**4).mean() == pytest.approx(3.0, abs=0.25)
    assert uniform.mean() == pytest.approx(0.5, abs=0.01)
    assert uniform.std() == pytest.approx(1 / np.sqrt(12), abs=0.01)
    assert counts.mean() == pytest.approx(1.7, abs=0.04)
    assert counts.var() == pytest.approx(1.7, abs=0.08)


def test_neighbouring_indices_and_names_are_unrelated() -> None:
    chance, other = Chance(1, "a"), Chance(1, "b")
    first = np.array([chance.uniform(i) for i in range(5000)])
    second = np.array([other.uniform(i) for i in range(5000)])
    assert abs(np.corrcoef(first[:-1], first[1:])[0, 1]) < 0.05
    assert abs(np.corrcoef(first, second)[0, 1]) < 0.05


def test_drift_is_smooth_and_bounded() -> None:
    chance = Chance(1, "drift")
    values = np.array([chance.drift(t / 10, 30.0) for t in range(20_000)])
    assert np.abs(values).max() <= 1.0
    assert values.std() > 0.3
    assert np.abs(np.diff(values)).max() < 0.1 * 2 * 1.5 / 30.0 + 1e-9


@pytest.mark.parametrize("preset", ["normal", "busy"])
def test_appliances_start_as_often_as_the_preset_says(preset: str) -> None:
    minutes = 600
    starts = []
    for seed in range(6):
        household = Household(preset, (0.0, 0.0, 0.0), seed)
        phase = household._phases[0]
        starts.append(sum(len(phase._started(m)) for m in range(minutes)))
    expected = PRESETS[preset].starts_per_min * minutes
    assert np.mean(starts) == pytest.approx(expected, rel=0.15)


def test_off_preset_is_the_base_load_alone() -> None:
    household = Household("off", (100.0, 0.0, 50.0), 1)
    assert _constant_w(household, 1234.5) == pytest.approx([100.0, 0.0, 50.0])


def test_busy_household_moves_more_than_a_quiet_one() -> None:
    spread = {}
    for preset in ("quiet", "normal", "busy"):
        steps = []
        for seed in range(5):
            household = Household(preset, (300.0, 300.0, 300.0), seed)
            series = np.array([_constant_w(household, float(t)) for t in range(900)])
            steps.append(np.abs(np.diff(series, axis=0)).mean())
        spread[preset] = np.mean(steps)
    assert spread["quiet"] < spread["normal"] < spread["busy"]
