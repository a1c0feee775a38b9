"""Meters that are not three-phase four-wire, and records that are no use, all without a crash."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from busprobe.diagnosis.wiring import (
    KnownLoad,
    MeterSystem,
    WiringDiagnosis,
    WiringVerdict,
    diagnose_wiring,
    wiring_findings,
)
from busprobe.model.reading import SignConvention
from busprobe.model.series import Series, SwitchMark

IMPORT = SignConvention.IMPORT_POSITIVE
TURN = np.exp(2j * np.pi / 3)
ONE_PHASE = {"L1": 230.0 + 0j, "N": 0j}
SPLIT = {"L1": 120.0 + 0j, "L2": -120.0 + 0j, "N": 0j}
THREE = {"L1": 230.0 + 0j, "L2": 230.0 / TURN, "L3": 230.0 * TURN, "N": 0j}


def recorded(
    volts: Mapping[str, complex],
    inputs: tuple[str, ...],
    clamps: tuple[str, ...],
    directions: tuple[int, ...],
    leads: tuple[str, ...],
    reference: str,
    tests: Mapping[str, tuple[str, str]],
    *,
    watts: float = 2000.0,
    seed: int = 1,
) -> Series:
    """A house with a wandering load and a heater between two wires, by Ohm's law.

    Args:
        volts: Voltage of each wire without load [V].
        inputs: Names of the meter's inputs.
        clamps: Wire of each CT.
        directions: +1 or -1 for each CT.
        leads: Wire of each voltage lead.
        reference: Wire of the common terminal.
        tests: For each announced name the two wires between which the heater is.
        watts: Power of the heater.
        seed: The chance.
    """
    rng = np.random.default_rng(seed)
    switchings: list[tuple[float, float, str, bool]] = []
    t = 40.0
    for name in tests:
        for _ in range(2):
            for on in (True, False):
                switchings.append((t, t + rng.uniform(0.3, 2.5), name, on))
                t += 10.0 + rng.uniform(0.0, 4.0)
        t += 20.0
    live = [wire for wire in volts if wire != "N"]
    wander = dict.fromkeys(live, 0.0)
    out: dict[str, list[float | None]] = {}
    times = np.arange(0.0, t + 5.0, 1.0)
    for now in times:
        current = dict.fromkeys(volts, 0j)
        for wire in live:
            wander[wire] = 0.9 * wander[wire] + rng.normal(0.0, 4.0)
            amps = np.conj((300.0 + wander[wire] + 40j) / volts[wire])
            current[wire] += amps
            current["N"] -= amps
        state = {name: on for _, real, name, on in switchings if real <= now}
        for name in (name for name, on in state.items() if on):
            one, other = tests[name]
            amps = np.conj(watts / (volts[one] - volts[other]))
            current[one] += amps
            current[other] -= amps
        at_meter = {
            wire: u - (0.12 if wire == "N" else 0.18) * (1 + 0.5j) * current[wire]
            for wire, u in volts.items()
        }
        for k, name in enumerate(inputs):
            across = at_meter[leads[k]] - at_meter[reference]
            power = across * np.conj(current[clamps[k]] * directions[k])
            out.setdefault(f"P_{name}", []).append(round(float(power.real + rng.normal(0, 1))))
            out.setdefault(f"Q_{name}", []).append(round(float(power.imag + rng.normal(0, 1))))
            out.setdefault(f"V_{name}", []).append(
                round(float(abs(across) + rng.normal(0, 0.03)), 1)
            )
    return Series(
        tuple(float(x) for x in times),
        {name: tuple(values) for name, values in out.items()},
        tuple(SwitchMark(said, on, name) for said, _, name, on in switchings),
    )


def first(diagnosis: WiringDiagnosis) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    best = diagnosis.explanations[0]
    return (
        tuple(ct.conductor for ct in best.cts),
        tuple(ct.direction for ct in best.cts),
        tuple(v.conductor for v in best.voltages),
    )


@pytest.mark.parametrize(
    ("clamp", "direction", "lead", "reference", "right"),
    [
        ("L1", 1, "L1", "N", True),
        ("L1", -1, "L1", "N", False),
        ("N", -1, "L1", "N", True),
        ("N", 1, "L1", "N", False),
        ("L1", -1, "N", "L1", True),
        ("N", 1, "N", "L1", True),
    ],
)
def test_single_phase_reads_right_or_wrong_and_lists_all_four(
    clamp: str, direction: int, lead: str, reference: str, right: bool
) -> None:
    series = recorded(
        ONE_PHASE, ("L1",), (clamp,), (direction,), (lead,), reference, {"L1": ("L1", "N")}
    )
    diagnosis = diagnose_wiring(
        series, KnownLoad(2000.0, phase="L1"), MeterSystem.SINGLE_PHASE, sign=IMPORT
    )
    assert diagnosis.verdict is (WiringVerdict.CORRECT if right else WiringVerdict.FAULT)
    names = {1: "forward", -1: "reversed"}
    assert len(diagnosis.explanations) == 4
    assert ((clamp,), (names[direction],), (lead,)) in {
        (
            tuple(ct.conductor for ct in e.cts),
            tuple(ct.direction for ct in e.cts),
            tuple(v.conductor for v in e.voltages),
        )
        for e in diagnosis.explanations
    }
    assert any("live" in note for note in diagnosis.not_identifiable)


@pytest.mark.parametrize("clamps", [("L1", "L2"), ("L2", "L1")])
@pytest.mark.parametrize("directions", [(1, 1), (1, -1), (-1, 1), (-1, -1)])
@pytest.mark.parametrize("leads", [("L1", "L2"), ("L2", "L1")])
def test_split_phase_tells_all_sixteen_with_the_sag(
    clamps: tuple[str, str], directions: tuple[int, int], leads: tuple[str, str]
) -> None:
    series = recorded(
        SPLIT,
        ("L1", "L2"),
        clamps,
        directions,
        leads,
        "N",
        {"L1": ("L1", "N"), "L2": ("L2", "N")},
        watts=1500.0,
    )
    diagnosis = diagnose_wiring(series, KnownLoad(1500.0), MeterSystem.SPLIT_PHASE, sign=IMPORT)
    names = {1: "forward", -1: "reversed"}
    assert first(diagnosis) == (clamps, tuple(names[s] for s in directions), leads)
    right = (clamps, directions, leads) == (("L1", "L2"), (1, 1), ("L1", "L2"))
    assert diagnosis.verdict is (WiringVerdict.CORRECT if right else WiringVerdict.FAULT)


@pytest.mark.parametrize(
    ("clamps", "directions", "leads", "reference"),
    [
        (("L1", "L3"), (1, 1), ("L1", "L3"), "L2"),
        (("L3", "L1"), (1, 1), ("L1", "L3"), "L2"),
        (("L1", "L3"), (1, -1), ("L1", "L3"), "L2"),
        (("L1", "L3"), (1, 1), ("L2", "L3"), "L1"),
        (("L1", "L2"), (1, 1), ("L1", "L3"), "L2"),
        (("L2", "L3"), (-1, 1), ("L3", "L1"), "L2"),
    ],
)
def test_two_elements_on_three_wires(
    clamps: tuple[str, str], directions: tuple[int, int], leads: tuple[str, str], reference: str
) -> None:
    """The load sits between two wires; it bears the name of the first one."""
    series = recorded(
        THREE,
        ("L1", "L3"),
        clamps,
        directions,
        leads,
        reference,
        {"L1": ("L1", "L2"), "L2": ("L2", "L3"), "L3": ("L3", "L1")},
    )
    diagnosis = diagnose_wiring(
        series, KnownLoad(2000.0), MeterSystem.THREE_PHASE_THREE_WIRE, sign=IMPORT
    )
    names = {1: "forward", -1: "reversed"}
    assert first(diagnosis) == (clamps, tuple(names[s] for s in directions), leads)
    assert diagnosis.explanations[0].neutral == reference
    assert wiring_findings(1, None, diagnosis)


VALUE = st.one_of(
    st.none(),
    st.floats(-1e9, 1e9),
    st.sampled_from([0.0, 230.0, 1e30, -1e30, math.nan, math.inf]),
)
NAMES = [f"{q}_L{k}" for q in "PQVI" for k in (1, 2, 3)] + ["V_L1L2", "P"]


@st.composite
def any_series(draw: st.DrawFn) -> Series:
    rows = draw(st.integers(0, 40))
    steps = draw(
        st.lists(st.sampled_from([0.0, 0.5, 1.0, 5.0, 100.0]), min_size=rows, max_size=rows)
    )
    times = tuple(float(x) for x in np.cumsum(steps))
    names = draw(st.sets(st.sampled_from(NAMES))) | set(
        draw(st.sampled_from([(), ("P_L1", "P_L2", "P_L3")]))
    )
    columns = {
        name: tuple(draw(st.lists(VALUE, min_size=rows, max_size=rows))) for name in sorted(names)
    }
    marks = draw(
        st.lists(
            st.builds(
                SwitchMark,
                st.floats(-5.0, 60.0),
                st.booleans(),
                st.sampled_from(["L1", "L2", "L3", "L1L2L3", "unknown"]),
            ),
            max_size=6,
        )
    )
    return Series(times, columns, tuple(marks))


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    any_series(),
    st.sampled_from(list(MeterSystem)),
    st.one_of(
        st.none(),
        st.builds(
            KnownLoad,
            st.floats(1.0, 20000.0),
            st.floats(0.0, 0.5),
            st.sampled_from(["L1", "L2", "L3", "each", "L1L2L3", "unknown"]),
        ),
    ),
    st.sampled_from(list(SignConvention)),
    st.booleans(),
)
def test_any_record_gets_an_honest_answer(
    series: Series,
    system: MeterSystem,
    load: KnownLoad | None,
    sign: SignConvention,
    rotation_known: bool,
) -> None:
    diagnosis = diagnose_wiring(series, load, system, sign=sign, rotation_known=rotation_known)
    assert 0.0 <= diagnosis.probability <= 1.0
    assert all(0.0 <= e.probability <= 1.0 for e in diagnosis.explanations)
    if diagnosis.verdict in (WiringVerdict.CORRECT, WiringVerdict.FAULT):
        assert diagnosis.explanations
    if diagnosis.verdict in (WiringVerdict.UNDECIDED, WiringVerdict.AMBIGUOUS):
        assert diagnosis.next_experiment
    for finding in wiring_findings(1, "x", diagnosis):
        assert finding.summary
