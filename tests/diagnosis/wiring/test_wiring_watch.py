"""The diagnosis while the technician still holds the plug."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from busprobe.diagnosis.wiring import (
    Advice,
    KnownLoad,
    MeterSystem,
    WiringVerdict,
    WiringWatch,
    diagnose_wiring,
)
from busprobe.model.reading import SignConvention
from busprobe.model.series import Series, SwitchMark
from tests.benchmarks.household import Site, Wiring, plug_schedule, record

FOUR_WIRE = MeterSystem.THREE_PHASE_FOUR_WIRE


def played(series: Series, load: KnownLoad, every: int = 4) -> tuple[WiringWatch, list[Advice]]:
    watch = WiringWatch(load, FOUR_WIRE, series.steps)
    marks = list(series.marks)
    advice: list[Advice] = [watch.advice()]
    for row, t in enumerate(series.t_s):
        while marks and marks[0].t_s <= t:
            watch.announce(marks.pop(0))
        watch.add(
            t,
            {n: v for n, values in series.columns.items() if (v := values[row]) is not None},
        )
        if row % every == 0 or row == len(series.t_s) - 1:
            advice.append(watch.advice())
    return watch, advice


@pytest.fixture(scope="module")
def reversed_l2() -> Series:
    rng = np.random.default_rng(3)
    edges = plug_schedule(rng, 1)
    return record(rng, Site("normal", 2000.0), Wiring(directions=(1, -1, 1)), edges)


def test_the_watch_ends_with_the_verdict_of_the_whole_series(reversed_l2: Series) -> None:
    watch, advice = played(reversed_l2, KnownLoad(2000.0))
    assert watch.diagnosis() == diagnose_wiring(reversed_l2, KnownLoad(2000.0), FOUR_WIRE)
    assert watch.diagnosis().verdict is WiringVerdict.FAULT
    assert advice[-1].sure


def test_the_advice_leads_through_the_test(reversed_l2: Series) -> None:
    _, advice = played(reversed_l2, KnownLoad(2000.0))
    texts = [a.text for a in advice]
    order = [
        next(i for i, text in enumerate(texts) if part in text)
        for part in (
            "first reading",
            "Learning",
            "Switch the load on",
            "Leave the load on",
            "Switch the load off",
            "Move the plug to L2",
            "Move the plug to L3",
            "enough",
        )
    ]
    assert order == sorted(order)
    for a in advice:
        assert a.seconds_more is None or a.seconds_more >= 0.0
    waiting = next(a for a in advice if "Leave the load on" in a.text)
    assert waiting.seconds_more is not None
    assert 0.0 < waiting.seconds_more <= 8.0


def test_it_is_never_sure_before_every_phase_was_visited(reversed_l2: Series) -> None:
    watch = WiringWatch(KnownLoad(2000.0), FOUR_WIRE, reversed_l2.steps)
    marks = list(reversed_l2.marks)
    for row, t in enumerate(reversed_l2.t_s):
        while marks and marks[0].t_s <= t:
            watch.announce(marks.pop(0))
        visited = {m.phase for m in reversed_l2.marks if not m.on and m.t_s <= t}
        watch.add(t, {n: v for n, vs in reversed_l2.columns.items() if (v := vs[row]) is not None})
        if row % 20 == 0 and len(visited) < 3:
            assert not watch.advice().sure


def test_a_small_load_in_a_restless_house_asks_for_a_bigger_one() -> None:
    rng = np.random.default_rng(4)
    edges = plug_schedule(rng, 4)
    series = record(rng, Site("busy", 15.0), Wiring(), edges)
    watch, advice = played(series, KnownLoad(15.0), every=12)
    assert watch.diagnosis().verdict in (WiringVerdict.UNDECIDED, WiringVerdict.AMBIGUOUS)
    assert not advice[-1].sure
    assert "bigger load" in advice[-1].text


def test_a_restless_baseline_asks_for_a_bigger_load_before_the_first_switching() -> None:
    watch = WiringWatch(KnownLoad(500.0), FOUR_WIRE)
    for t in range(40):
        watch.add(float(t), {"P_L1": 800.0 * (t // 3 % 2), "P_L2": 50.0, "P_L3": 60.0})
    advice = watch.advice()
    assert "restless" in advice.text
    assert "2000 W" in advice.text
    calm = WiringWatch(KnownLoad(500.0), FOUR_WIRE)
    for t in range(40):
        calm.add(float(t), {"P_L1": 50.0 + t % 3, "P_L2": 50.0, "P_L3": 60.0})
    assert calm.advice().text == "Switch the load on."


def test_times_that_go_back_and_late_columns_do_no_harm() -> None:
    watch = WiringWatch(KnownLoad(1000.0), FOUR_WIRE)
    watch.add(1.0, {"P_L1": 5.0})
    watch.add(0.5, {"P_L1": 6.0})
    watch.add(float("nan"), {"P_L1": 6.0})
    watch.add(2.0, {"P_L1": 7.0, "P_L2": 1.0})
    watch.announce(SwitchMark(2.0, True, "L1"))
    series = watch.series()
    assert series.t_s == (1.0, 2.0)
    assert series.columns == {"P_L1": (5.0, 7.0), "P_L2": (None, 1.0)}
    assert watch.diagnosis().verdict is WiringVerdict.UNDECIDED


def test_a_passive_watch_says_how_long_it_may_take() -> None:
    watch = WiringWatch(None, FOUR_WIRE)
    for t in range(20):
        watch.add(float(t), {f"P_L{k}": 100.0 for k in (1, 2, 3)})
    advice = watch.advice()
    assert not advice.sure
    assert advice.seconds_more == pytest.approx(1800.0 - 19.0)


def with_counters(series: Series, *, export_positive: bool) -> Series:
    """The same meter with energy counters of its own, and with the sign of its map."""
    turn = -1.0 if export_positive else 1.0
    powers = {n: values for n, values in series.columns.items() if n[0] in "PQ"}
    totals = [
        sum(v or 0.0 for v in row)
        for row in zip(*(powers[f"P_L{k}"] for k in (1, 2, 3)), strict=True)
    ]
    energy = {"E_import": [0.0], "E_export": [0.0]}
    for (early, late), watts in zip(pairwise(series.t_s), totals[1:], strict=True):
        rise = watts * (late - early) / 3600.0
        energy["E_import"].append(energy["E_import"][-1] + max(rise, 0.0))
        energy["E_export"].append(energy["E_export"][-1] + max(-rise, 0.0))
    columns = {
        **series.columns,
        **{n: tuple(None if v is None else turn * v for v in vs) for n, vs in powers.items()},
        **{n: tuple(float(v // 1.0) for v in vs) for n, vs in energy.items()},
    }
    return Series(series.t_s, columns, series.marks, {**series.steps, "E_import": 1.0})


@pytest.mark.parametrize("export_positive", [False, True])
@pytest.mark.parametrize("direction", [1, -1])
def test_the_counters_settle_the_sign(direction: int, export_positive: bool) -> None:
    rng = np.random.default_rng(21)
    edges = plug_schedule(rng, 2)
    wiring = Wiring(directions=(direction,) * 3)
    series = record(rng, Site("normal", 2000.0, pv="none"), wiring, edges)
    before, _ = played(with_counters(series, export_positive=export_positive), KnownLoad(2000.0), 9)
    told = before.diagnosis()
    assert told.sign == ("export-positive" if export_positive else "import-positive")
    assert told.verdict is (WiringVerdict.CORRECT if direction > 0 else WiringVerdict.FAULT)
    assert len(told.explanations) == 1


def test_without_counters_the_sign_of_a_reversed_set_stays_open() -> None:
    rng = np.random.default_rng(21)
    edges = plug_schedule(rng, 2)
    site = Site("normal", 2000.0, pv="none")
    series = record(rng, site, Wiring(directions=(-1, -1, -1)), edges)
    told = diagnose_wiring(series, KnownLoad(2000.0))
    assert told.sign == "unknown"
    assert len(told.explanations) == 2


def test_a_sign_that_becomes_known_is_taken(reversed_l2: Series) -> None:
    watch, _ = played(reversed_l2, KnownLoad(2000.0), 50)
    assert watch.diagnosis().verdict is WiringVerdict.FAULT
    directions = [ct.direction for ct in watch.diagnosis().explanations[0].cts]
    watch.know_sign(SignConvention.EXPORT_POSITIVE)
    turned = {"forward": "reversed", "reversed": "forward"}
    assert [ct.direction for ct in watch.diagnosis().explanations[0].cts] == [
        turned[d] for d in directions
    ]
