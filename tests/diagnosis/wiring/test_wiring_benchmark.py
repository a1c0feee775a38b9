"""A fast part of the benchmark: seeded sites, with bars that the whole benchmark meets easily."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.benchmarks import household
from tests.benchmarks.bench_wiring import Tally, passive_trial, trial


@pytest.mark.parametrize(("preset", "load_w"), [("normal", 1000.0), ("busy", 2000.0)])
def test_known_load_on_a_few_sites(preset: str, load_w: float) -> None:
    tally = Tally()
    for seed in range(5):
        trial(8_800_000 + seed, preset, load_w, tally, marks=True, columns="VIPQ")
    assert tally.trials == 5
    assert tally.right_after[3] == tally.right_after[-3]
    assert tally.decided >= 4
    assert tally.wrong == 0
    assert tally.faulty_called_right == 0


def test_without_announcements_nothing_wrong_is_claimed() -> None:
    tally = Tally()
    for seed in range(5):
        trial(8_810_000 + seed, "quiet", 2000.0, tally, marks=False, columns="VIPQ")
    assert tally.decided >= 2
    assert tally.wrong == 0


def test_a_first_visit_that_hides_behind_a_hob_is_not_taken_for_another_phase() -> None:
    tally = Tally()
    trial(51_000_008, "normal", 2000.0, tally, marks=False, columns="VIPQ")
    assert tally.wrong == 0


def test_a_hob_on_a_phase_does_not_hide_the_visits_to_the_others() -> None:
    tally = Tally()
    trial(52_000_007, "normal", 1000.0, tally, marks=False, columns="VIPQ")
    assert tally.decided == 1
    assert tally.wrong == 0


def test_a_hob_twice_as_big_as_the_load_is_not_the_load_the_other_way_round() -> None:
    """It goes off as the load goes on, and on as the load goes off: that is no proof yet."""
    tally = Tally()
    trial(71_000_097, "normal", 1000.0, tally, marks=True, columns="VIPQ")
    assert tally.decided == 1
    assert tally.wrong == 0


def test_a_step_of_which_only_p_was_renewed_is_no_load_of_another_angle(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Clouds and a hob on the conductor of the load, whose whole steps are no surprise any more."""
    busy_hobs = replace(household.PRESETS["normal"], cycling_share=1.0)
    monkeypatch.setitem(household.PRESETS, "normal", busy_hobs)
    tally = Tally()
    trial(72_000_073, "normal", 1000.0, tally, marks=True, columns="VIPQ")
    assert tally.decided == 1
    assert tally.wrong == 0


def test_watching_half_an_hour() -> None:
    out = [passive_trial(8_820_000 + seed, "normal", 30.0) for seed in range(8)]
    assert sum(ok for _, ok, _ in out) >= 7
    assert all(ok for p, ok, _ in out if p >= 0.999)
