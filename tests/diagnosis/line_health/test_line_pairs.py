"""Two faults of one device at once: both are told, and nothing else."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.line_health import line_findings
from busprobe.model.device import Device
from busprobe.procedures.check_line import check_line
from busprobe_sim.ports.virtual import run_virtual
from tests.diagnosis.line_health.faulty_lines import draw

# A surplus terminator is told beside missing bias.
BESIDE = {"surplus-termination"}


@pytest.mark.parametrize(
    ("seed", "faults"),
    [
        # An edge, the byte held back and the answer stand in one row.
        (400008, ("rolling-answer", "switching-edges")),
        (400036, ("rolling-answer", "switching-edges")),
        # Exceptions of a gateway have edges too.
        (400081, ("switching-edges", "gateway-between")),
        # Strays of the floating line fall into the pauses of answers.
        (400083, ("device-pauses", "no-bias")),
        (400108, ("no-bias", "device-pauses")),
        (400087, ("rolling-answer", "device-pauses")),
        # Its driver switches again behind the pause, with another edge.
        (500140, ("device-pauses", "switching-edges")),
        (500191, ("switching-edges", "device-pauses")),
    ],
)
def test_both_are_told_and_nothing_else(seed: int, faults: tuple[str, str]) -> None:
    drawn = draw(seed, *faults)
    check = run_virtual(check_line(drawn.build(seed), [Device(a) for a in drawn.addresses]))
    told = {(f.code, f.address) for f in line_findings(check.weighed) if f.code not in BESIDE}
    assert told == drawn.truth
    assert not check.duplicates
