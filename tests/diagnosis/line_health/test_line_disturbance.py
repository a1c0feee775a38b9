"""Noise, a floating idle line and weak levels by their hits, few or many."""

from __future__ import annotations

import random

import pytest

from busprobe.diagnosis.line_health.disturbance import Exposure, weigh_disturbance


def drawn(rng: random.Random, frames_hz: float, idle_hz: float, pulses: float) -> Exposure:
    """Hits of a long experiment at these rates, with the swarms that bursts come in."""

    def hits(rate_hz: float, seconds: float) -> int:
        # The rate wanders by a third from minute to minute.
        return round(sum(rate_hz * rng.uniform(0.6, 1.4) for _ in range(10)) * seconds / 10)

    frame_s, idle_s = rng.uniform(20, 40), rng.uniform(150, 300)
    idle = hits(idle_hz, idle_s)
    return Exposure(hits(frames_hz, frame_s), frame_s, idle, idle_s, round(pulses * idle))


@pytest.mark.parametrize("seed", range(20))
def test_many_hits_of_noise_are_no_proof_of_a_floating_line_besides(seed: int) -> None:
    rng = random.Random(seed)
    rate = rng.uniform(4.0, 20.0)
    seen = drawn(rng, 0.85 * rate, rng.uniform(0.25, 0.9) * rate, rng.uniform(0.2, 0.6))
    weights = weigh_disturbance(seen)
    assert weights["noise"] > 0.75
    assert weights["floating"] + weights["both"] < 0.25


@pytest.mark.parametrize("seed", range(10))
def test_many_pulses_beside_sound_frames_are_a_floating_line(seed: int) -> None:
    rng = random.Random(seed)
    weights = weigh_disturbance(drawn(rng, 0.02, rng.uniform(3.0, 20.0), 0.98))
    assert weights["floating"] > 0.95


def test_few_hits_are_weighed_as_they_are() -> None:
    few = Exposure(7, 4.1, 4, 15.6, 1)
    assert weigh_disturbance(few)["noise"] > 0.95
    assert weigh_disturbance(Exposure(20, 10.0, 0, 60.0, 0))["level"] > 0.95
    assert weigh_disturbance(Exposure(0, 10.0, 0, 60.0, 0))["none"] > 0.95
