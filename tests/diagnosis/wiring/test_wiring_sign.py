"""The sign convention by the meter's own counters."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

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


def counters_of(
    powers: dict[str, list[float]], step: float, *, by_phase: bool, export_positive: bool
) -> Series:
    """A meter that counts by itself, second by second, apart from the code under test."""
    n = len(next(iter(powers.values())))
    flow = -1.0 if export_positive else 1.0
    imported, exported = 123.0, 456.0
    columns: dict[str, list[float]] = {"E_import": [], "E_export": []}
    for i in range(n):
        row = [flow * values[i] for values in powers.values()]
        for watts in row if by_phase else [sum(row)]:
            if watts > 0:
                imported += watts / 3600.0
            else:
                exported -= watts / 3600.0
        columns["E_import"].append(imported // step * step)
        columns["E_export"].append(exported // step * step)
    shown = {name: tuple(values) for name, values in {**powers, **columns}.items()}
    return Series(
        tuple(float(i) for i in range(n)), shown, (), {"E_import": step, "E_export": step}
    )


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.floats(-4000.0, 4000.0), min_size=12, max_size=36),
    st.sampled_from([1.0, 10.0, 100.0]),
    st.booleans(),
    st.booleans(),
)
def test_whatever_the_powers_do_no_wrong_sign_is_told(
    levels: list[float], step: float, by_phase: bool, export_positive: bool
) -> None:
    """Twelve levels of each phase, a minute each, the flow turning as it likes."""
    powers = {
        f"P_L{k + 1}": [levels[(k + 3 * (i // 60)) % len(levels)] for i in range(720)]
        for k in range(3)
    }
    series = counters_of(powers, step, by_phase=by_phase, export_positive=export_positive)
    truth = EXPORT if export_positive else IMPORT
    assert counter_sign(series) in (truth, UNKNOWN)


@pytest.mark.parametrize("export_positive", [False, True])
def test_a_flow_that_turns_is_followed_by_both_counters(export_positive: bool) -> None:
    powers = {f"P_L{k}": [900.0] * 300 + [-300.0] * 300 for k in (1, 2, 3)}
    series = counters_of(powers, 10.0, by_phase=False, export_positive=export_positive)
    assert counter_sign(series) is (EXPORT if export_positive else IMPORT)


def test_one_tick_of_a_coarse_counter_does_not_outweigh_the_flow() -> None:
    """Import for a moment lets a 100 Wh counter tick; the export that follows does not."""
    n = 121
    ticked = tuple(500.0 if i < 5 else 600.0 for i in range(n))
    series = Series(
        tuple(float(i) for i in range(n)),
        {"P": (2000.0,) * 10 + (-500.0,) * (n - 10), "E_import": ticked, "E_export": (70.0,) * n},
        (),
        {"E_import": 100.0, "E_export": 100.0},
    )
    assert counter_sign(series) is UNKNOWN
