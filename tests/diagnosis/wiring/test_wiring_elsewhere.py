"""A load that no input sees is no proof of dead CTs."""

from __future__ import annotations

import numpy as np

from busprobe.diagnosis.wiring import KnownLoad, WiringVerdict, diagnose_wiring
from busprobe.model.series import Series, SwitchMark


def record(current_flows: bool) -> Series:
    """Four minutes without any answer to the announced switchings."""
    rng = np.random.default_rng(5)
    t = np.arange(240.0)
    base = 700.0 if current_flows else 0.0
    columns: dict[str, tuple[float | None, ...]] = {}
    for phase in ("L1", "L2", "L3"):
        noise = rng.normal(0.0, 3.0 if current_flows else 0.0, t.size)
        columns[f"P_{phase}"] = tuple(float(x) for x in np.round(base + noise))
        columns[f"Q_{phase}"] = tuple(0.0 for _ in t)
        columns[f"V_{phase}"] = tuple(230.0 for _ in t)
        columns[f"I_{phase}"] = tuple(float(x) for x in np.round((base + noise) / 230.0, 2))
    marks = tuple(
        SwitchMark(30.0 + 12 * n, n % 2 == 0, ("L1", "L2", "L3")[n // 2 % 3]) for n in range(16)
    )
    return Series(tuple(t), columns, marks)


def test_a_meter_that_sees_other_current_shows_that_the_load_is_elsewhere() -> None:
    diagnosis = diagnose_wiring(record(current_flows=True), KnownLoad(2000.0))
    assert diagnosis.verdict is WiringVerdict.INCONSISTENT
    assert "behind this meter" in (diagnosis.next_experiment or "")


def test_without_any_current_nothing_is_decided() -> None:
    diagnosis = diagnose_wiring(record(current_flows=False), KnownLoad(2000.0))
    assert diagnosis.verdict is WiringVerdict.UNDECIDED
    assert "no CT is connected" in (diagnosis.next_experiment or "")
