"""Running counts against counts of the whole course."""

from __future__ import annotations

import random

import numpy as np
import pytest

from busprobe.diagnosis.line_health import Tally, Target, tallies
from busprobe.model.exchange import Outcome
from busprobe.procedures.soak import soak
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw
from tests.diagnosis.line_health.test_line_signs import READ_15, heard


def test_percentiles_are_good_to_a_percent() -> None:
    rng = random.Random(5)
    tally = Tally(0x15)
    times = []
    template = heard(READ_15, "15 04 02 00 01 48 F3")
    assert template.answer is not None
    for _ in range(2000):
        ms = rng.lognormvariate(3.4, 0.8)
        times.append(ms)
        start = template.request.t_end_ns + round(ms * 1e6)
        answer = type(template.answer)(
            0x15, template.answer.pdu, start, start + 1, template.answer.raw
        )
        tally.take(
            type(template)(
                1, template.request, Outcome.ANSWERED, answer, (answer,), False, None, 0, 0, ()
            )
        )
    for share in (0.5, 0.95):
        found = tally.turnaround_ms(share)
        assert found == pytest.approx(float(np.percentile(times, 100 * share)), rel=0.015)
    for limit in (20.0, 50.0, 200.0):
        expected = sum(ms >= limit for ms in times) / len(times)
        assert tally.slower_than(limit) == pytest.approx(expected, abs=0.015)
    assert tally.slowest_ms == pytest.approx(max(times), rel=1e-6)
    assert sum(count for _, _, count in tally.spread()) == 2000


def test_soak_counts_what_the_bus_did() -> None:
    drawn = draw(4, "noisy-line")
    bus = drawn.build(4)
    exchanges = []
    bus.on_exchange = exchanges.append
    told = []
    targets = [Target(a, 3, 0, 20) for a in drawn.addresses]
    counted = run_virtual(soak(bus, targets, 60.0, on_counts=lambda s: told.append(s.seconds)))
    assert counted.seconds == pytest.approx(60.0, abs=2.0)
    assert len(told) > 30
    assert counted.tallies == tallies(exchanges)
    total = sum(t.exchanges for t in counted.tallies.values())
    assert total == len(exchanges) > 300
    for tally in counted.tallies.values():
        parts = (
            tally.answered
            + tally.damaged
            + tally.silent
            + tally.late
            + tally.crowded
            + tally.misaddressed
        )
        assert parts == tally.exchanges
        low, high = tally.error_interval
        assert low <= tally.error_rate <= high
    assert sum(t.failed for t in counted.tallies.values()) > 0
