"""A request given up too early says nothing about the line, nor does what its answer fell into."""

from __future__ import annotations

from dataclasses import replace

import pytest

from busprobe.diagnosis.line_health import Condition, Sample, Sign, healthy
from busprobe.diagnosis.line_health.causes import Weighed, weigh
from busprobe.diagnosis.line_health.impatience import without_given_up
from busprobe.diagnosis.line_health.types import Cause
from busprobe.model.device import Device
from busprobe.procedures.check_line import check_line
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw

MS = 1_000_000
ASKED = Condition(20, 4 * MS, True)


def clean(number: int, address: int, ms: int) -> Sample:
    heard = Sample(number, address, ASKED, Sign.CLEAN, 45, idle_ns=(ms + 4) * MS)
    return replace(heard, turnaround_ns=ms * MS)


def silent(number: int, address: int, listened_ms: int) -> Sample:
    return Sample(number, address, ASKED, Sign.SILENT, 45, idle_ns=(listened_ms + 4) * MS)


def test_only_what_follows_a_request_given_up_too_early_is_left_out() -> None:
    damaged = Sample(3, 1, ASKED, Sign.DAMAGED, 45, heard=b"\x01\x55\x02", idle_ns=30 * MS)
    samples = [
        clean(1, 10, 650), silent(2, 10, 700), damaged,
        silent(4, 10, 2000), replace(damaged, number=5),
        clean(6, 1, 20), silent(7, 1, 700), replace(damaged, number=8, address=10),
    ]  # fmt: skip
    kept, given_up = without_given_up(samples)
    assert [s.number for s in kept] == [1, 2, 4, 5, 6, 7, 8]
    assert given_up == {2}
    # It is counted all the same: nobody would call such an exchange clean.
    assert weigh(samples, 1.04e-3).bad == 6


@pytest.mark.parametrize("seed", range(6))
def test_a_very_slow_device_makes_no_noisy_line_and_drops_no_request(seed: int) -> None:
    drawn = draw(seed, "very-slow-device")
    check = run_virtual(check_line(drawn.build(seed), [Device(a) for a in drawn.addresses]))
    likely = {(c.code, c.address) for c in check.weighed.causes if c.probability >= 0.5}
    assert likely == drawn.truth


def weighed(*causes: tuple[str, int | None, float]) -> Weighed:
    return Weighed(tuple(Cause(c, a, p, (), {}) for c, a, p in causes), 1, 10, ())


def test_rivals_for_the_same_evidence_add_up_and_others_multiply() -> None:
    assert healthy(weighed()) == 1.0
    either = weighed(("no-bias", None, 0.85), ("surplus-termination", None, 0.15))
    assert healthy(either) == pytest.approx(0.0, abs=1e-9)
    one = ("damage-at-address", 5, 0.6), ("duplicate-address", 5, 0.4)
    assert healthy(weighed(*one)) == pytest.approx(0.0, abs=1e-9)
    elsewhere = ("damage-at-address", 5, 0.5), ("duplicate-address", 6, 0.4)
    assert healthy(weighed(*elsewhere)) == pytest.approx(0.3)
    assert healthy(weighed(("echo-heard", None, 0.999))) == 1.0
