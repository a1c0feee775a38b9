"""The tables of the inference against direct sums (scipy.special.logsumexp)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logsumexp

from busprobe.diagnosis.wiring import KnownLoad, MeterSystem
from busprobe.diagnosis.wiring.bank import ratio_steps
from busprobe.diagnosis.wiring.density import StepDensity
from busprobe.diagnosis.wiring.examine import Examined, examine
from tests.benchmarks.household import Site, Wiring, plug_schedule, record

PRIOR = np.log([p for _, p in ratio_steps()])


@pytest.fixture(scope="module")
def examined() -> Examined:
    rng = np.random.default_rng(77)
    wiring = Wiring(("L2", "L1", "L3"), ("L1", "L1", "L3"), (1, -1, 1), (1.0, 2.0, 1.0))
    series = record(rng, Site("busy", 1000.0), wiring, plug_schedule(rng, 2))
    found = examine(series, KnownLoad(1000.0), MeterSystem.THREE_PHASE_FOUR_WIRE)
    assert found is not None
    return found


def test_the_joint_likelihood_is_the_sum_over_load_and_ratios(examined: Examined) -> None:
    view = examined.views[0]
    assert view.tables is not None
    leads, clamps = view.posterior.leads, view.posterior.clamps
    joint = view.tables.joint(leads, clamps)
    best = np.unravel_index(int(joint.argmax()), joint.shape)
    rng = np.random.default_rng(3)
    picked = [best, *(tuple(int(rng.integers(n)) for n in joint.shape) for _ in range(60))]
    for row, *places in picked:
        by_load = np.array(view.tables.load_prior)
        for k, c in enumerate(places):
            table = view.tables.by_ratio(leads[row], k, clamps[c])
            by_load = by_load + logsumexp(table + PRIOR, axis=1)
        # Far below the best one the sum in the tables ends in a floor.
        if logsumexp(by_load) > joint.max() - 500.0:
            assert joint[(row, *places)] == pytest.approx(logsumexp(by_load), abs=1e-6)


def test_leads_that_answer_alike_are_weighed_alike(examined: Examined) -> None:
    """A star point that floats on balanced voltages reads like one on the neutral."""
    view = examined.views[0]
    assert view.tables is not None
    leads = view.posterior.leads
    joint = view.tables.joint(leads, view.posterior.clamps)
    by_place = {(s.positive, s.kind): row for row, s in enumerate(leads)}
    floating = [s for s in leads if s.kind == "neutral-open"]
    assert floating
    for state in floating:
        right = by_place[state.positive, "permuted"]
        assert np.array_equal(joint[right], joint[by_place[state.positive, "neutral-open"]])


@pytest.mark.parametrize("scale", [5.0, 40.0])
def test_a_density_of_steps_integrates_to_one(scale: float) -> None:
    rng = np.random.default_rng(4)
    seen = np.concatenate([rng.normal(0.0, 10.0, 150), rng.normal(800.0, 15.0, 20)])
    density = StepDensity(seen, scale, reach=4000.0)
    grid = np.sinh(np.linspace(-np.arcsinh(3990.0 / scale), np.arcsinh(3990.0 / scale), 40_001))
    total = np.trapezoid(np.exp(density.looked_up(grid * scale)), grid * scale)
    # Beyond the reach lies a part of the tail.
    assert total == pytest.approx(1.0, abs=0.02)
    near, between = density.looked_up(np.array([-800.0, 400.0]))
    assert near > between + 2.0
