"""Whole sites: what is wrong with which meter, and what cannot be told."""

from __future__ import annotations

import numpy as np
import pytest

from busprobe.diagnosis.balance import (
    BalanceDiagnosis,
    BalanceVerdict,
    Place,
    Sign,
    balance_findings,
    diagnose_balance,
)
from busprobe.diagnosis.catalogue import CAUTION_CT
from tests.diagnosis.balance.energy_sites import EnergySite, Generator, draw

REVERSED = (-1.0, -1.0, -1.0)


def judged(seed: int, site: EnergySite) -> BalanceDiagnosis:
    drawn = draw(np.random.default_rng(seed), site)
    return diagnose_balance(drawn.series, drawn.roles, curtailed=drawn.marks)


def codes(diagnosis: BalanceDiagnosis) -> set[str]:
    return {f.code for f in balance_findings(diagnosis)}


def test_a_right_site_under_broken_clouds_adds_up() -> None:
    found = judged(11, EnergySite())
    assert found.verdict is BalanceVerdict.CORRECT
    meter = found.meter("gen")
    assert (meter.sign, meter.ratio, meter.place) == (Sign.RIGHT, 1.0, Place.BEHIND_GRID_METER)
    assert meter.phases == ("L1", "L2", "L3")
    assert codes(found) == {"balance-correct"}


def test_a_reversed_generator_meter_is_named_with_remedy_and_caution() -> None:
    site = EnergySite(generators={"gen": Generator(shown=REVERSED)})
    found = judged(12, site)
    assert found.verdict is BalanceVerdict.FAULT
    assert found.meter("gen").sign is Sign.REVERSED
    (told,) = balance_findings(found)
    assert told.code == "balance-meter-reversed"
    assert told.caution == CAUTION_CT
    assert "swap the two wires" in told.remedy


@pytest.mark.parametrize("ratio", [0.25, 2.0, 0.1, 10.0])
def test_a_wrong_ratio_is_named(ratio: float) -> None:
    site = EnergySite(generators={"gen": Generator(shown=(ratio, ratio, ratio))})
    found = judged(13, site)
    assert found.verdict is BalanceVerdict.FAULT
    assert found.meter("gen").ratio == pytest.approx(ratio)
    assert codes(found) == {"balance-wrong-ratio"}


def test_one_reversed_ct_of_three() -> None:
    site = EnergySite(generators={"gen": Generator(shown=(1.0, -1.0, 1.0))})
    found = judged(14, site)
    signs = [i.sign for i in found.meter("gen").inputs]
    assert signs == [Sign.RIGHT, Sign.REVERSED, Sign.RIGHT]
    assert codes(found) == {"balance-input-reversed"}


def test_a_generator_on_the_grids_side() -> None:
    found = judged(15, EnergySite(generators={"gen": Generator(outside=True)}))
    assert found.meter("gen").place is Place.NOT_IN_BALANCE
    assert codes(found) == {"balance-outside"}


def test_a_reversed_feed_in_meter() -> None:
    found = judged(16, EnergySite(grid_sign=-1))
    assert found.meter("grid").sign is Sign.REVERSED
    assert found.meter("gen").sign is Sign.RIGHT


def test_a_hidden_battery_leaves_it_undecided() -> None:
    found = judged(17, EnergySite(battery="hidden"))
    assert found.verdict is BalanceVerdict.UNDECIDED
    assert found.meter("gen").sign is Sign.UNKNOWN
    assert any("battery" in text for text in found.not_identifiable)
    assert found.next_experiment is not None
    assert "hybrid" in found.next_experiment


def test_a_measured_battery_hides_nothing() -> None:
    site = EnergySite(battery="hybrid", generators={"gen": Generator(shown=REVERSED)})
    found = judged(18, site)
    assert found.meter("gen").sign is Sign.REVERSED
    assert found.meter("hybrid").sign is Sign.RIGHT
