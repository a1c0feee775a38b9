"""One device whose answers always lack their start or their end is not called two."""

from __future__ import annotations

from collections import Counter

import pytest

from busprobe.procedures.check_duplicate import check_duplicate
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw


@pytest.mark.parametrize("fault", ["driver-late", "last-byte-lost"])
def test_cut_answers_of_one_device(fault: str) -> None:
    # The adapter drives on into the answer, or the device lets go of the line too soon.
    verdicts: Counter[str] = Counter()
    for seed in range(300, 308):
        drawn = draw(seed, fault)
        verdict = run_virtual(check_duplicate(drawn.build(seed), drawn.stations[0].address))
        verdicts[verdict.verdict] += 1
    assert verdicts["duplicate"] == 0
    assert verdicts["single"] + verdicts["undecided"] == 8


def test_two_devices_among_other_damage_are_still_two() -> None:
    found = 0
    for seed in range(300, 308):
        drawn = draw(seed, "duplicate-address")
        verdict = run_virtual(check_duplicate(drawn.build(seed), drawn.stations[0].address))
        found += verdict.verdict == "duplicate"
    assert found >= 7
