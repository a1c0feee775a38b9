"""The sign convention by the meter's own counters."""

from __future__ import annotations

import pytest

from busprobe.diagnosis.wiring.sign import counter_sign
from busprobe.model.reading import SignConvention
from busprobe.model.series import Series

IMPORT = SignConvention.IMPORT_POSITIVE
EXPORT = SignConvention.EXPORT_POSITIVE
UNKNOWN = SignConvention.UNKNOWN


def counted(watts: float, imported: float, exported: float, *, per_phase: bool = False) -> Series:
    """Half an hour at a steady power; counters end at what they rose by [Wh]."""
    n = 1801
    times = tuple(float(i) for i in range(n))
    powers = (
        {f"P_L{k}": (watts / 3.0,) * n for k in (1, 2, 3)} if per_phase else {"P": (watts,) * n}
    )
    return Series(
        times,
        {
            **powers,
            "E_import": tuple(5000.0 + round(imported * i / (n - 1)) for i in range(n)),
            "E_export": tuple(900.0 + round(exported * i / (n - 1)) for i in range(n)),
        },
    )


@pytest.mark.parametrize("per_phase", [False, True])
@pytest.mark.parametrize(
    ("watts", "imported", "exported", "sign"),
    [
        (2000.0, 1000.0, 0.0, IMPORT),
        (-2000.0, 0.0, 1000.0, IMPORT),
        (-2000.0, 1000.0, 0.0, EXPORT),
        (2000.0, 0.0, 1000.0, EXPORT),
        (2000.0, 1000.0, 900.0, UNKNOWN),
        (2000.0, 0.0, 0.0, UNKNOWN),
        (0.0, 100.0, 0.0, UNKNOWN),
    ],
)
def test_the_counter_that_moves_tells(
    watts: float, imported: float, exported: float, sign: SignConvention, per_phase: bool
) -> None:
    assert counter_sign(counted(watts, imported, exported, per_phase=per_phase)) is sign


def test_a_counter_that_falls_tells_nothing() -> None:
    assert counter_sign(counted(2000.0, -1000.0, 0.0)) is UNKNOWN


def test_without_counters_nothing_is_told() -> None:
    assert counter_sign(Series((0.0, 1.0), {"P": (1.0, 1.0)})) is UNKNOWN
