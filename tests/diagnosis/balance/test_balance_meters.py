"""Meters of simulated sites, every register included: phases, roles, counters, commands."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from busprobe.diagnosis.balance import (
    BalanceDiagnosis,
    BalanceVerdict,
    BalanceWatch,
    CurtailMark,
    MeterRole,
    Place,
    Positive,
    Role,
    Sign,
    balance_findings,
    diagnose_balance,
)
from busprobe.model.series import Series
from busprobe_sim.site import (
    Ct,
    InstrumentParameters,
    LoadParameters,
    MeterWiring,
    Site,
    SiteParameters,
    SourceParameters,
)
from tests.diagnosis.balance.simulated_meters import curtail, read_series

PV = SourceParameters("pv", "pv", 8000, "L1L2L3", 0.7, 1.0)
OTHER_PV = SourceParameters("other pv", "pv", 5000, "L1L2L3", 0.7, 1.0)
STEADY = SourceParameters("pv", "hydro", 8000, "L1L2L3", 0.7, 0.0)
RIGHT = InstrumentParameters()
GRID = MeterRole(Role.GRID)
GEN = MeterRole(Role.GENERATOR, rated_w=8000)


def made(*sources: SourceParameters, seed: int = 3, loads: tuple[LoadParameters, ...] = ()) -> Site:
    return Site(SiteParameters(household="normal", sources=sources, loads=loads), seed)


def judged(
    site: Site,
    meters: Mapping[str, tuple[str, InstrumentParameters]],
    roles: Mapping[str, MeterRole],
    *,
    duration_s: float = 200.0,
    marks: tuple[CurtailMark, ...] = (),
    only: str = "PQVE",
    poll_s: float = 1.0,
) -> BalanceDiagnosis:
    series = read_series(site, meters, duration_s, only=only, poll_s=poll_s)
    return diagnose_balance(series, roles, curtailed=marks)


def generator(
    parameters: InstrumentParameters, site: Site | None = None, only: str = "PQVE"
) -> BalanceDiagnosis:
    return judged(
        site or made(PV),
        {"grid": ("grid", RIGHT), "gen": ("pv", parameters)},
        {"grid": GRID, "gen": GEN},
        only=only,
    )


def codes(found: BalanceDiagnosis) -> set[str]:
    return {f.code for f in balance_findings(found)}


@pytest.mark.parametrize("positive", ["import", "export"])
def test_counters_tell_what_the_sign_means_whichever_it_is(positive: str) -> None:
    found = generator(InstrumentParameters(positive=positive))  # type: ignore[arg-type]
    assert found.verdict is BalanceVerdict.CORRECT
    assert found.meter("gen").sign is Sign.RIGHT
    counters = found.meter("gen").counters
    assert counters is not None
    assert counters.agrees


def test_all_cts_reversed() -> None:
    wiring = MeterWiring((Ct("L1", True), Ct("L2", True), Ct("L3", True)))
    found = generator(InstrumentParameters(wiring=wiring))
    assert found.meter("gen").sign is Sign.REVERSED
    assert codes(found) == {"balance-meter-reversed"}


def test_without_counters_and_without_a_word_the_sign_stays_open() -> None:
    found = generator(RIGHT, only="PQV")
    assert found.verdict is BalanceVerdict.UNDECIDED
    assert found.meter("gen").sign is Sign.UNKNOWN
    assert found.meter("gen").ratio == 1.0
    assert "counters" in (found.next_experiment or "")


def test_cts_exchanged_show_by_their_angle() -> None:
    wiring = MeterWiring((Ct("L2"), Ct("L1"), Ct("L3")))
    found = generator(InstrumentParameters(wiring=wiring))
    assert [i.wrong_phase for i in found.meter("gen").inputs] == [True, True, False]
    angles = [abs(i.angle_deg or 0.0) for i in found.meter("gen").inputs]
    # Two CTs exchanged: each channel is turned by 120 degrees, which a line through the origin of
    # the P/Q plane shows as 60 (closed form: S = s exp(j m 60 deg) S_c).
    assert angles == pytest.approx([60.0, 60.0, 0.0], abs=4.0)
    assert codes(found) == {"balance-wrong-phase"}


def test_half_the_power_without_q_leaves_the_reason_open() -> None:
    wiring = MeterWiring((Ct("L2"), Ct("L3"), Ct("L1")))
    found = generator(InstrumentParameters(wiring=wiring), only="PE")
    assert codes(found) == {"balance-shows-half"}
    assert found.meter("gen").sign is Sign.UNKNOWN
    assert any("Without reactive power" in text for text in found.not_identifiable)


def test_voltages_tell_which_input_is_on_which_phase() -> None:
    wiring = MeterWiring((Ct("L2"), Ct("L3"), Ct("L1")), ("L2", "L3", "L1"))
    found = generator(InstrumentParameters(wiring=wiring))
    assert [i.phase for i in found.meter("gen").inputs] == ["L2", "L3", "L1"]
    assert found.verdict is BalanceVerdict.CORRECT
    assert [i.phase for i in generator(RIGHT, only="PE").meter("gen").inputs] == [None] * 3


def test_a_dead_ct_is_named() -> None:
    wiring = MeterWiring((Ct("none"), Ct("L2"), Ct("L3")))
    found = generator(InstrumentParameters(wiring=wiring))
    assert codes(found) == {"balance-dead-input"}
    (dead,) = [i for i in found.meter("gen").inputs if i.dead]
    assert dead.input == "L1"


def test_a_single_phase_generator_is_found_on_its_phase() -> None:
    site = made(SourceParameters("pv", "pv", 3000, "L2", 0.7, 1.0))
    wiring = MeterWiring((Ct("L2"), Ct("none"), Ct("none")), ("L2", "L3", "L1"))
    found = generator(InstrumentParameters(wiring=wiring), site)
    assert found.verdict is BalanceVerdict.CORRECT
    assert found.meter("gen").phases == ("L2",)


def test_a_consumer_in_the_role_of_a_generator() -> None:
    loads = (LoadParameters("pump", 3000, feeder="pump", cycle_s=(25, 40)),)
    found = judged(
        made(loads=loads),
        {"grid": ("grid", RIGHT), "gen": ("pump", RIGHT)},
        {"grid": GRID, "gen": GEN},
    )
    assert found.meter("gen").place is Place.CONSUMER
    assert codes(found) == {"balance-wrong-role"}


def test_a_consumer_in_its_own_role() -> None:
    loads = (LoadParameters("pump", 3000, feeder="pump", cycle_s=(25, 40)),)
    found = judged(
        made(loads=loads),
        {"grid": ("grid", RIGHT), "pump": ("pump", RIGHT)},
        {"grid": GRID, "pump": MeterRole(Role.LOAD)},
    )
    assert found.verdict is BalanceVerdict.CORRECT


def test_two_meters_on_one_generator_count_it_twice() -> None:
    found = judged(
        made(PV),
        {"grid": ("grid", RIGHT), "gen": ("pv", RIGHT), "again": ("pv", RIGHT)},
        {"grid": GRID, "gen": GEN, "again": GEN},
    )
    assert found.meter("again").place is Place.BEHIND_OTHER_METER
    assert found.meter("again").behind == "gen"
    assert codes(found) == {"balance-counted-twice"}


def test_two_generators_under_one_sky_are_told_apart() -> None:
    reversed_ = MeterWiring((Ct("L1", True), Ct("L2", True), Ct("L3", True)))
    found = judged(
        made(PV, OTHER_PV),
        {
            "grid": ("grid", RIGHT),
            "gen": ("pv", RIGHT),
            "other": ("other pv", InstrumentParameters(wiring=reversed_)),
        },
        {"grid": GRID, "gen": GEN, "other": MeterRole(Role.GENERATOR, rated_w=5000)},
    )
    assert found.meter("gen").sign is Sign.RIGHT
    assert found.meter("other").sign is Sign.REVERSED


def test_a_meter_that_does_not_follow_its_own_source() -> None:
    steady = SourceParameters("other pv", "hydro", 5000, "L1L2L3", 0.7, 0.0)
    site = made(STEADY, steady)
    marks = tuple(curtail(site, "pv", "gen", 40.0))
    found = judged(
        site,
        {"grid": ("grid", RIGHT), "gen": ("other pv", RIGHT), "other": ("pv", RIGHT)},
        {"grid": GRID, "gen": GEN, "other": MeterRole(Role.GENERATOR, rated_w=5000)},
        marks=marks,
    )
    assert found.meter("gen").place is Place.OTHER_SOURCE
    assert found.meter("gen").behind == "other"


def test_a_steady_source_is_undecided_until_it_is_held_back() -> None:
    meters = {"grid": ("grid", RIGHT), "gen": ("pv", RIGHT)}
    roles = {"grid": GRID, "gen": GEN}
    before = judged(made(STEADY), meters, roles, duration_s=40.0)
    assert before.verdict is BalanceVerdict.UNDECIDED
    assert "Hold gen back" in (before.next_experiment or "")
    site = made(STEADY)
    marks = tuple(curtail(site, "pv", "gen", 40.0))
    after = judged(site, meters, roles, marks=marks)
    assert after.verdict is BalanceVerdict.CORRECT


def test_slow_polls_give_the_same_answer() -> None:
    wiring = MeterWiring((Ct("L1", True), Ct("L2", True), Ct("L3", True)))
    found = judged(
        made(PV),
        {"grid": ("grid", RIGHT), "gen": ("pv", InstrumentParameters(wiring=wiring))},
        {"grid": GRID, "gen": GEN},
        duration_s=360.0,
        poll_s=5.0,
    )
    assert found.meter("gen").sign is Sign.REVERSED
    assert found.meter("gen").ratio == 1.0


def test_the_watch_says_the_same_as_the_whole_series() -> None:
    series = read_series(
        made(PV), {"grid": ("grid", RIGHT), "gen": ("pv", RIGHT)}, 90.0, only="PQE"
    )
    roles = {"grid": GRID, "gen": GEN}
    watch = BalanceWatch(roles)
    for row in range(len(series["grid"].t_s)):
        for name, one in series.items():
            if row < len(one.t_s):
                values = {q: v[row] for q, v in one.columns.items()}
                watch.add(name, one.t_s[row], values, one.steps)  # type: ignore[arg-type]
    assert watch.diagnosis() == diagnose_balance(series, roles)


def test_the_residual_is_what_the_house_draws() -> None:
    site = made(PV)
    found = generator(RIGHT, site)
    # The truth from the simulator: current of the grid and of the source at the board.
    seconds = range(2, 200)
    true = 0.0
    for second in seconds:
        state = site.state(second * 1_000_000_000)
        for k, voltage in enumerate(state.voltages):
            house = state.currents["house"][k]
            true += (voltage * house.conjugate()).real / len(seconds)
    assert found.residual_w is not None
    assert found.residual_uncertainty_w is not None
    assert abs(found.residual_w - true) < 4.0 * found.residual_uncertainty_w + 20.0


def test_exactly_one_feed_in_meter_is_asked_for() -> None:
    one = Series((0.0, 1.0), {"P_L1": (1.0, 2.0)})
    with pytest.raises(ValueError, match="2 feed-in meters"):
        diagnose_balance({"a": one, "b": one}, {"a": GRID, "b": GRID})


def test_nothing_in_common_is_undecided_with_a_reason() -> None:
    early = Series((0.0, 1.0, 2.0), {"P_L1": (1.0, 2.0, 3.0)})
    late = Series((100.0, 101.0), {"P_L1": (1.0, 2.0)})
    found = diagnose_balance({"grid": early, "gen": late}, {"grid": GRID, "gen": GEN})
    assert found.verdict is BalanceVerdict.UNDECIDED
    assert found.not_identifiable


def test_missing_values_and_gaps_do_no_harm() -> None:
    series = read_series(made(PV), {"grid": ("grid", RIGHT), "gen": ("pv", RIGHT)}, 200.0)
    holes = {
        name: Series(
            one.t_s,
            {
                q: tuple(
                    None if 60 < t < 90 or n % 7 == 3 else v
                    for n, (t, v) in enumerate(zip(one.t_s, values, strict=True))
                )
                for q, values in one.columns.items()
            },
        )
        for name, one in series.items()
    }
    found = diagnose_balance(holes, {"grid": GRID, "gen": GEN})
    assert found.meter("gen").sign is Sign.RIGHT


def test_a_sign_that_was_given_is_taken_where_no_counter_tells() -> None:
    known = MeterRole(Role.GENERATOR, Positive.OUT_OF_SITE, 8000)
    found = judged(
        made(PV),
        {"grid": ("grid", RIGHT), "gen": ("pv", RIGHT)},
        {"grid": GRID, "gen": known},
        only="PQ",
    )
    assert found.meter("gen").sign is Sign.RIGHT
